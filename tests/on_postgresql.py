"""`python -m tests.on_postgresql` runs the tests on a PostgreSQL server of its own; arguments go to pytest.

It shows what the kind of database decides: queries and their number, locks, constraints, copies, and what a column
refuses. Left out is what the run on SQLite has shown already: modules that take databases of both kinds by themselves,
calculations, which know no database, files of recordings, and pages as such: who may open them, what they say, how
they look in a browser, and how the program that serves them is set and started. test_house_rules holds both lists to
that.
"""

import os
import subprocess
import sys

from tests.servers import NotInstalled, running_postgresql

WITHOUT_DATABASE = ("calc", "tests/calc", "tests/doubts", "tests/reference", "tests/simulations")
ONLY_PAGES = (
    "tests/browser",
    "tests/bench/test_limits_reached.py",
    "tests/bench/test_next_tests.py",
    "tests/bench/test_on_paper.py",
    "tests/demo/test_digits.py",
    "tests/evidence/test_ice.py",
    "tests/logs/test_columns.py",
    "tests/logs/test_file_doubts.py",
    "tests/logs/test_hostile_uploads.py",
    "tests/logs/test_logger_files.py",
    "tests/logs/test_recordings.py",
    "tests/people/test_passwords.py",
    "tests/records/stale_forms",
    "tests/people/test_access_matrix.py",
    "tests/people/test_client_address.py",
    "tests/people/test_pages_by_role.py",
    "tests/hosting/test_answer_headers.py",
    "tests/hosting/test_asvs.py",
    "tests/hosting/test_checks.py",
    "tests/hosting/test_compression.py",
    "tests/hosting/test_environment.py",
    "tests/hosting/test_hostile_addresses.py",
    "tests/hosting/test_methods.py",
    "tests/hosting/test_module_bundle.py",
    "tests/hosting/test_request_log.py",
    "tests/hosting/test_requirements.py",
    "tests/hosting/test_serve.py",
    "tests/hosting/test_shelf.py",
    "tests/hosting/test_web_server.py",
    "tests/hosting/test_web_server_processes.py",
    "tests/hosting/test_what_code_may_do.py",
    "tests/test_processes.py",
    "tests/test_rooms.py",
    "tests/test_styles.py",
    "tests/test_words.py",
)
# By what is in a folder: pytest never ignores a folder that it begins with.
_PATTERNS = [path if path.endswith(".py") else f"{path}/*" for path in (*WITHOUT_DATABASE, *ONLY_PAGES)]
LEFT_OUT = ["-m", "not own_database", *(f"--ignore-glob={pattern}" for pattern in _PATTERNS)]


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
