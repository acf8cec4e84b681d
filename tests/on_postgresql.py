"""`python -m tests.on_postgresql` runs the tests on a PostgreSQL server of its own; arguments go to pytest.

Left out is what would prove nothing new: modules that take databases of both kinds by themselves, which they did in
the other run already, and the folders of calculations, which know no database (test_house_rules holds them to it).
"""

import os
import subprocess
import sys

from tests.servers import NotInstalled, running_postgresql

WITHOUT_DATABASE = ("calc", "tests/calc", "tests/reference")
LEFT_OUT = ["-m", "not own_database", *(f"--ignore-glob={folder}/*" for folder in WITHOUT_DATABASE)]


def main() -> int:
    try:
        with running_postgresql() as server:
            environment = {**os.environ, "FIRNLOG_TESTS_POSTGRESQL": server.url("postgres")}
            return subprocess.call([sys.executable, "-m", "pytest", *LEFT_OUT, *sys.argv[1:]], env=environment)
    except NotInstalled as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
