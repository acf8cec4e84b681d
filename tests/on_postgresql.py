"""`python -m tests.on_postgresql` runs the tests on a PostgreSQL server of its own; arguments go to pytest.

Left out are the modules that take databases of both kinds by themselves: they did so in the other run already.
"""

import os
import subprocess
import sys

from tests.servers import NotInstalled, running_postgresql


def main() -> int:
    try:
        with running_postgresql() as server:
            environment = {**os.environ, "FIRNLOG_TESTS_POSTGRESQL": server.url("postgres")}
            return subprocess.call(
                [sys.executable, "-m", "pytest", "-m", "not own_database", *sys.argv[1:]], env=environment
            )
    except NotInstalled as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
