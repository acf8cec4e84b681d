"""What the help on security says of ASVS: no item left out, none twice, and every test it names is there.

The numbers are those of the OWASP Application Security Verification Standard 5.0.0 (May 2025), levels 1 and 2.
"""

import ast
import re

from buildlog.hosting import environment, request_rate, request_size, web_server
from buildlog.photos import pictures
from sessions.field import batches, unsent_file
from sessions.logs import csv_layout, import_jobs, series, track_points, unpacking
from sessions.outings import pushed_readings, voice_files
from sessions.sharing import archive, notebook_file
from tests.data_folders import PROJECT
from tests.documents import help_text

LEVEL_1 = """
1.2.1-5 1.3.1-2 1.5.1 2.1.1 2.2.1-2 2.3.1 3.2.1-2 3.3.1 3.4.1-2 3.5.1-3 4.1.1 4.4.1 5.2.1-2 5.3.1-2 6.1.1 6.2.1-8
6.3.1-2 6.4.1-2 7.2.1-4 7.4.1-2 8.1.1 8.2.1-2 8.3.1 9.1.1-3 9.2.1 10.4.1-5 11.3.1-2 11.4.1 12.1.1 12.2.1-2 13.4.1
14.2.1 14.3.1 15.1.1 15.2.1 15.3.1
"""
LEVEL_2 = """
1.1.1-2 1.2.6-9 1.3.3-11 1.4.1-3 1.5.2 2.1.2-3 2.2.3 2.3.2-4 2.4.1 3.3.2-4 3.4.3-6 3.5.4-5 3.7.1-2 4.1.2-3 4.2.1
4.3.1-2 4.4.2-4 5.1.1 5.2.3 5.4.1-3 6.1.2-3 6.2.9-12 6.3.3-4 6.4.3-4 6.5.1-5 6.6.1-3 6.8.1-4 7.1.1-3 7.3.1-2 7.4.3-5
7.5.1-2 7.6.1-2 8.1.2 8.2.3 8.4.1 9.2.2-4 10.1.1-2 10.2.1-2 10.3.1-4 10.4.6-11 10.5.1-5 10.6.1-2 10.7.1-3 11.1.1-2
11.2.1-3 11.3.3 11.4.2-4 11.5.1 11.6.1 12.1.2-3 12.3.1-4 13.1.1 13.2.1-5 13.3.1-2 13.4.2-5 14.1.1-2 14.2.2-4 14.3.2-3
15.1.2-3 15.2.2-3 15.3.2-7 16.1.1 16.2.1-5 16.3.1-4 16.4.1-3 16.5.1-3 17.1.1 17.2.1-4 17.3.1-2
"""


def items(text):
    for first, last in re.findall(r"(\d+\.\d+\.\d+)(?:-(\d+))?", text):
        section, _, number = first.rpartition(".")
        yield from (f"{section}.{n}" for n in range(int(number), int(last or number) + 1))


TABLES = ("Hold", "Hold where the owner sets it so", "Do not apply", "Open")


def rows(*tables):
    """Of the tables named, or of all: the numbers of items, and what stands beside them."""
    text = help_text("security")
    part = text[text.index("## ASVS 5.0.0") : text.index("## One-time codes")]
    named = dict(
        zip(TABLES, (part[part.index(f"**{table}**") :].partition("\n**")[0] for table in TABLES), strict=True)
    )
    wanted = "\n".join(named[table] for table in tables or TABLES)
    return re.findall(r"^\| (\d[\d., ]*) \| (.+) \|$", wanted, re.MULTILINE)


def count(*tables):
    return sum(len(list(items(numbers))) for numbers, _ in rows(*tables))


def test_the_counts_of_the_page_are_those_of_its_tables():
    hold, by_owner, none, is_open = (count(table) for table in TABLES)
    assert f"{hold} hold, {by_owner} hold where the owner sets it so, {none} do not apply, {is_open} are open." in (
        help_text("security")
    )


def test_every_item_that_holds_names_a_test():
    for numbers, text in rows("Hold", "Hold where the owner sets it so"):
        assert "by reading" not in text, numbers
        assert re.search(r"`test_\w+`", text), numbers


def test_every_item_of_both_levels_stands_there_once():
    standard = [*items(LEVEL_1), *items(LEVEL_2)]
    assert (len(list(items(LEVEL_1))), len(standard)) == (70, 253)
    entries = [item for numbers, _ in rows() for item in items(numbers)]
    assert sorted(entries) == sorted(standard)


def test_every_test_that_is_named_is_there():
    there = {
        name
        for path in (PROJECT / "tests").rglob("test_*.py")
        for name in re.findall(r"^def (test_\w+)", path.read_text(), re.M)
    }
    named = {name for _, text in rows() for name in re.findall(r"`(test_\w+)`", text)}
    assert len(named) > 60
    assert named - there == set()


def test_scripts_write_text_and_no_markup():
    """V3.2.2: what is shown is set as text, so that no record can become part of a page."""
    scripts = [*PROJECT.glob("static/**/*.js")]
    assert len(scripts) > 10
    for path in scripts:
        assert not re.search(r"innerHTML|outerHTML|insertAdjacentHTML|document\.write|\beval\(", path.read_text()), path


def test_commands_are_lists_and_no_shell_reads_them():
    """V1.2.5: what was typed can become an argument, never a command: each is a list, and nothing starts a shell."""
    starters, started = {"run", "Popen", "call", "check_call", "check_output"}, 0
    for folder in ("buildlog", "sessions", "calc"):
        for path in (PROJECT / folder).rglob("*.py"):
            for node in ast.walk(ast.parse(path.read_text())):
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
                    continue
                owner = node.func.value.id if isinstance(node.func.value, ast.Name) else ""
                assert (owner, node.func.attr) not in {("os", "system"), ("os", "popen")}, path
                if owner == "subprocess" and node.func.attr in starters:
                    started += 1
                    assert not any(keyword.arg == "shell" for keyword in node.keywords), path
                    assert not isinstance(node.args[0], ast.Constant | ast.JoinedStr), path
    assert started >= 5


def test_the_limits_that_help_names_are_those_of_the_program(settings):
    """V2.1.3, V5.1.1 and V15.1.3."""
    text = help_text("security")
    text = text[text.index("Limits: ") : text.index("## ASVS 5.0.0")]
    mb = 1024 * 1024
    default = environment.SETTINGS["BUILDLOG_REQUEST_RATE"].default
    for words in (
        f"a request {request_size.BY_ANYBODY // mb} MB from anybody, {request_size.BY_API // mb} MB to the API and "
        f"{request_size.BY_PAGE // mb} MB to a page",
        f"at most {web_server.LARGEST_BODY_BYTES // mb} MB on the disk",
        f"a header of {web_server.LARGEST_HEADER_BYTES // 1024} kB",
        f"{web_server.CONNECTIONS:,} connections to a process, each closed after {web_server.LONGEST_WAIT_S:.0f} s",
        f"{pushed_readings.MOST_AT_ONCE:,} readings and {batches.MOST_AT_ONCE} records of a phone at once",
        f"A minute's {default} requests",
        "one account may have two in work in a process, which has four threads",
        f"{pictures.LARGEST_BYTES // mb} MB, {pictures.LARGEST_PIXELS // 10**6} megapixels",
        f"{voice_files.LARGEST_BYTES // mb} MB | kept; served as sound",
        f"{unpacking.LARGEST_BYTES // mb} MB, packed and unpacked; a track {track_points.LARGEST_BYTES // mb} MB and "
        f"{track_points.MOST_POINTS:,} points; a table {series.MOST_ROWS:,} rows and {csv_layout.MOST_COLUMNS} columns",
        f"{unsent_file.LARGEST_BYTES // mb} MB, and a quarter of the memory that is free",
        f"{archive.LARGEST_BYTES // mb} MB packed; {archive.LARGEST_UNPACKED_BYTES // (1024 * mb)} GB and "
        f"{archive.MOST_FILES:,} files unpacked",
        f"{notebook_file.LARGEST_BYTES // mb} MB, {notebook_file.LARGEST_UNPACKED_BYTES // mb} MB unpacked, "
        f"{notebook_file.MOST_ROWS:,} rows",
    ):
        assert words in text, words
    assert (request_rate.COSTLY_AT_ONCE, web_server.THREADS, import_jobs.MOST_AT_ONCE) == (2, 4, 2)
    assert 1 / unsent_file.MEMORY_PER_BYTE == 0.25
    assert all(kind.lower() in text.lower() for kind in pictures.FORMATS)
    assert all(
        kind in text for kind in ("GPX", "FIT", "TCX", "NMEA 0183", "GeoJSON", "KML", "XLSX", "ODS", "JSON lines")
    )


def test_help_lists_every_key_and_what_becomes_of_it():
    """V11.1.1 and V11.1.2: each with how it is made, kept, used, changed, and what to do when it is lost."""
    text = help_text("security")
    table = text[text.index("Keys, and what becomes of them") : text.index("Cryptography in use")]
    lines = [line.strip("| ").split(" | ") for line in table.splitlines() if line.startswith("| ")]
    assert {len(line) for line in lines} == {6}
    assert all(cell.strip() for line in lines for cell in line)
    secret = {name for name, setting in environment.SETTINGS.items() if setting.secret}
    assert secret == {
        "BUILDLOG_BACKUP_PUBLIC_KEY", "BUILDLOG_OFFSITE_SECRET_KEY", "BUILDLOG_S3_SECRET_KEY", "BUILDLOG_SECRET_KEY",
        "DATABASE_URL",
    }  # fmt: skip
    kinds = " ".join(line[0] for line in lines)
    for kind in (
        "installation", "backups", "one-time codes", "recovery codes", "devices", "invitations", "shared links",
        "database", "store", "place outside", "certificate",
    ):  # fmt: skip
        assert kind in kinds, kind


def test_help_says_how_soon_a_weak_library_is_replaced():
    """V15.1.1."""
    [text] = re.findall(r"^Libraries: .*$", help_text("security"), re.MULTILINE)
    assert "within two weeks, at once where it can be reached without signing in" in text
    assert "all others with the next release" in text
