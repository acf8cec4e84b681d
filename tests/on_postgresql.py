"""`python -m tests.on_postgresql` runs the tests on a PostgreSQL server of its own; arguments go to pytest."""

import os
import subprocess
import sys

from tests.servers import NotInstalled, running_postgresql


def main() -> int:
    try:
        with running_postgresql() as server:
            environment = {**os.environ, "FIRNLOG_TESTS_POSTGRESQL": server.url("postgres")}
            return subprocess.call([sys.executable, "-m", "pytest", *sys.argv[1:]], env=environment)
    except NotInstalled as error:
        print(error, file=sys.stderr)
        return 1


if __name__ == "__main__":
    sys.exit(main())
