"""How a logger wrote its file: encoding, delimiter, decimal mark, where the header ends, names and units.

Everything is detected in the first part of the file, shown on a page, and can be corrected there.
"""

from __future__ import annotations

import codecs
import csv
import itertools
import re
from collections import Counter
from dataclasses import asdict, dataclass
from typing import IO, Any

from charset_normalizer import from_bytes

from sessions.logs.file_kinds import READ_KINDS, other_kind
from sessions.logs.number_marks import NOT_MEASURED, decimal_mark, is_number, thousands_mark
from sessions.logs.series import NotARecording

HEAD_BYTES = 128 * 1024
MOST_COLUMNS = 300
MOST_HEAD_LINES = 300
FEWEST_WHOLE_LINES = 3
"""A file with a zero byte after fewer lines than this is no text; after more of them it broke off there."""


ENCODINGS = {
    "utf-8": "UTF-8",
    "utf-8-sig": "UTF-8 with a mark",
    "utf-16": "UTF-16 with a mark",
    "utf-16-le": "UTF-16, low byte first",
    "utf-16-be": "UTF-16, high byte first",
    "cp1252": "Western European (Windows-1252)",
    "latin-1": "Western European (ISO 8859-1)",
    "cp1250": "Central European (Windows-1250)",
    "cp1251": "Cyrillic (Windows-1251)",
    "gb18030": "Chinese (GB 18030)",
    "big5": "Chinese (Big5)",
    "shift_jis": "Japanese (Shift JIS)",
    "euc_kr": "Korean (EUC-KR)",
}
OTHER_SCRIPTS = ["cp1251", "gb18030", "big5", "shift_jis", "euc_kr"]
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "space"}
DECIMAL_MARKS = {".": "point, as in 52.4", ",": "comma, as in 52,4"}

_RATE = re.compile(
    r"(?P<word>(sampl\w*|log\w*|data|update)[ _-]?(rate|interval|period|frequency|time)|\brate\b|\binterval\b)"
    r"[^\d\n]{0,12}?(?P<number>\d+([.,]\d+)?)[ ;,\t]*(?P<unit>Hz|1/s|ms|s)?\b",
    re.IGNORECASE,
)
_UNIT_ROW = re.compile(r"[\[(]?[A-Za-zµΩ°%/²·*\-^0-9 ]{0,12}[\])]?")


@dataclass(frozen=True)
class Layout:
    """How a file is written. Lines count from 1; the sample holds the first cells of the data as text."""

    encoding: str
    delimiter: str
    decimal: str
    names: list[str]
    units: list[str]
    first_line: int
    grouped: bool = False
    thousands: str = ""

    def as_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, stored: Any) -> Layout:
        """A layout from its stored form. Raises ValueError for anything else."""
        try:
            names, units = ([str(text) for text in stored[key]] for key in ("names", "units"))
            layout = cls(
                str(stored["encoding"]),
                str(stored["delimiter"]),
                str(stored["decimal"]),
                names,
                units,
                int(stored["first_line"]),
                bool(stored["grouped"]),
                # Layouts of earlier releases knew one mark only.
                str(stored.get("thousands", "." if stored["grouped"] else "")),
            )
        except (TypeError, KeyError, ValueError):
            raise ValueError("This is not the stored layout of a log.") from None
        if (
            layout.encoding not in ENCODINGS
            or layout.delimiter not in DELIMITERS
            or layout.decimal not in DECIMAL_MARKS
        ):
            raise ValueError("This is not the stored layout of a log.")
        if len(names) != len(units) or not 0 < layout.first_line < 1_000_000:
            raise ValueError("This is not the stored layout of a log.")
        return layout

    @property
    def delimiter_word(self) -> str:
        return DELIMITERS[self.delimiter]

    @property
    def encoding_word(self) -> str:
        return ENCODINGS[self.encoding]

    @property
    def width(self) -> int:
        return len(self.names)


@dataclass(frozen=True)
class Head:
    """A layout, and the first rows of data for the page."""

    layout: Layout
    rows: list[list[str]]
    interval_s: float | None = None
    """The time between two rows, where lines above the data say it."""


def find_layout(file: IO[bytes], size: int, overrides: dict[str, Any] | None = None) -> Head:
    """The layout of a file. `overrides` fixes encoding, delimiter, decimal or first_line where a person knows better.

    Raises NotARecording with a sentence. Afterwards the file is at its beginning again.
    """
    known = {name: value for name, value in (overrides or {}).items() if value not in (None, "")}
    file.seek(0)
    head = file.read(HEAD_BYTES)
    file.seek(0)
    if not head.strip(b" \t\r\n\0\xef\xbb\xbf\xff\xfe"):
        raise NotARecording("The file is empty. Save the log again from the logger.")
    if what := other_kind(head):
        raise NotARecording(f"The file is {what}, which is not read as a recording. {READ_KINDS}")
    encoding = known.get("encoding") or _encoding(head)
    text = _text(head, encoding, whole=size <= len(head))
    first = text.lstrip()[:40]
    if first.startswith("<"):
        raise NotARecording(
            f"The file begins with {first.split('>')[0][:30]}>: it is a web page or another mark-up file, no log. "
            f"{READ_KINDS}"
        )
    lines = text.split("\n")
    if size > len(head) and len(lines) > 1:
        lines.pop()
    lines = lines[:MOST_HEAD_LINES]
    delimiter = known.get("delimiter") or _delimiter(lines)
    rows = [split_line(line, delimiter) for line in lines]
    width = _width(rows)
    if width < 2:
        raise NotARecording(
            "The file has one column only, or its delimiter is none of comma, semicolon, tab, bar and space. "
            "A log has a time and at least one measured value on each line."
        )
    if width > MOST_COLUMNS:
        raise NotARecording(f"The file has {width:,} columns; at most {MOST_COLUMNS} are read. Export fewer of them.")
    first_line = known.get("first_line") or _first_data_line(rows, width)
    if first_line is None:
        written = sum(1 for line in lines if line.strip())
        if written == 1:
            raise NotARecording("The file has one line, and no row of numbers below it. Save the log again.")
        raise NotARecording(
            f"None of the first {written} lines holds numbers in {width} columns. "
            "If the data begin farther down, say in which line."
        )
    data = [row for row in rows[first_line - 1 :] if len(row) == width]
    if not data:
        raise NotARecording(f"There is no row of {width} columns from line {first_line} on. Say where the data begin.")
    names, units = header_of(rows[: first_line - 1], width)
    decimal = known.get("decimal") or decimal_mark(data, delimiter)
    thousands = thousands_mark(data, decimal)
    layout = Layout(encoding, delimiter, decimal, names, units, first_line, bool(thousands), thousands)
    return Head(layout, data[:20], _interval_s(lines[: first_line - 1]))


def split_line(line: str, delimiter: str) -> list[str]:
    """The cells of one line, without the spaces and quotation marks around them."""
    if delimiter == " ":
        return line.split()
    try:
        cells = next(csv.reader([line], delimiter=delimiter, skipinitialspace=True), [])
    except csv.Error:
        # A quotation mark that is never closed, or a cell longer than any number.
        cells = line.split(delimiter)
    return [cell.strip() for cell in cells]


def _encoding(head: bytes) -> str:
    if head.startswith(codecs.BOM_UTF8):
        return "utf-8-sig"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if b"\0" in head:
        odd, even = head[1::2].count(0), head[::2].count(0)
        if max(odd, even) > 0.3 * len(head) / 2:
            return "utf-16-le" if odd > even else "utf-16-be"
        at = head.index(0)
        if head.count(10, 0, at) < FEWEST_WHOLE_LINES:
            raise NotARecording(
                f"Byte {at + 1}, in line {head.count(10, 0, at) + 1}, is zero: this is not a text file, or the logger "
                f"broke off while writing. {READ_KINDS}"
            )
        head = head[:at]
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return _encoding_before_unicode(head)
    return "utf-8"


def _encoding_before_unicode(head: bytes) -> str:
    """charset-normalizer recognises other scripts, and a rule Western letters.

    Tried on the heads of 68 logs in 13 languages: this way the names of columns came through in 46, by the rule alone
    in 41, by the library alone in 34, because it takes a lone degree sign among English words for Chinese.
    """
    lines = [line for line in head.splitlines()[:MOST_HEAD_LINES] if not line.isascii()]
    foreign = sum(byte > 127 for line in lines for byte in line)
    latin = sum(len(re.findall(rb"[A-Za-z]", line)) for line in lines)
    if foreign > latin and (match := from_bytes(b"\n".join(lines), cp_isolation=OTHER_SCRIPTS).best()):
        return match.encoding
    try:
        head.decode("cp1252")
    except UnicodeDecodeError:
        return "latin-1"
    return "cp1252"


def _text(head: bytes, encoding: str, whole: bool) -> str:
    if encoding not in ENCODINGS:
        raise NotARecording(f"The encoding {encoding[:30]!r} is not known here. Choose one of the list.")
    try:
        text = codecs.getincrementaldecoder(encoding)().decode(head, final=whole)
    except UnicodeDecodeError as error:
        line = head.count(10, 0, error.start) + 1
        raise NotARecording(
            f"Line {line} cannot be read as {ENCODINGS[encoding]}. Choose another encoding, or export as UTF-8."
        ) from None
    if "\0" in text:
        at = text.index("\0")
        line = text.count("\n", 0, at) + 1
        if line <= FEWEST_WHOLE_LINES:
            raise NotARecording(f"Line {line} holds a zero byte: this is not a text file. {READ_KINDS}")
        # There the logger broke off; the line that it had begun may lack its last digits.
        text = text[: text.rindex("\n", 0, at) + 1]
    # The same line ends as the reader of the data knows, so that line numbers agree.
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _delimiter(lines: list[str]) -> str:
    """The delimiter under which most lines have one number of columns, with numbers in them."""
    best_score, best_delimiter = 0.0, ","
    filled = [line for line in lines if line.strip()]
    for delimiter in DELIMITERS:
        rows = [split_line(line, delimiter) for line in filled]
        width = _width(rows)
        if width < 2:
            continue
        alike = [row for row in rows if len(row) == width]
        cells = [cell for row in alike for cell in row]
        score = len(alike) / len(rows) * sum(map(is_number, cells)) / len(cells)
        if score > best_score + 1e-9:
            best_score, best_delimiter = score, delimiter
    return best_delimiter


def _width(rows: list[list[str]]) -> int:
    """The number of columns that most lines of the second half have: the data, not the lines before them."""
    filled = [row for row in rows if any(row)]
    counts = Counter(map(len, filled[len(filled) // 2 :]))
    return max(counts, key=lambda width: (counts[width], width), default=0)


def _holds_data(row: list[str], width: int) -> bool:
    filled = [cell for cell in row if cell]
    return (
        len(row) == width
        and bool(filled)
        and sum(map(is_number, filled)) * 2 >= len(filled)
        and any(is_number(cell) and cell.lower() not in NOT_MEASURED for cell in filled)
    )


def _first_data_line(rows: list[list[str]], width: int) -> int | None:
    for index, row in enumerate(rows):
        following = [later for later in rows[index + 1 : index + 6] if any(later)]
        enough = sum(_holds_data(later, width) for later in following) * 2 >= len(following)
        if _holds_data(row, width) and enough and not _sums_up(row, following, width):
            return index + 1
    return None


def _sums_up(row: list[str], following: list[list[str]], width: int) -> bool:
    """Whether a row stands above the data without being of it: means, lowest or highest values of the columns.

    It has words where all rows below have numbers, or is ahead of them in a column that grows from row to row.
    """
    below = [later for later in following if _holds_data(later, width)]
    if len(below) < 3:
        return False
    for place in range(width):
        column = [later[place] for later in below]
        if not all(is_number(cell) and cell.lower() not in NOT_MEASURED for cell in column):
            continue
        cell = row[place]
        if not is_number(cell):
            return True
        values = [_plain_value(each) for each in (cell, *column)]
        if None in values:
            continue
        first, *others = (value or 0.0 for value in values)
        grows = all(later > earlier for earlier, later in itertools.pairwise(others))
        if grows and len(others) >= 4 and place == 0 and first > others[1]:
            return True
    return False


def _plain_value(cell: str) -> float | None:
    try:
        return float(cell.replace(",", "."))
    except ValueError:
        return None


def header_of(before: list[list[str]], width: int) -> tuple[list[str], list[str]]:
    """Names and units of the columns, from the lines above the data."""
    whole = [row for row in before if len(row) == width and any(row) and not _holds_data(row, width)]
    units = [""] * width
    if len(whole) > 1 and all(_UNIT_ROW.fullmatch(cell) for cell in whole[-1]) and _looks_like_units(whole[-1]):
        units = [cell.strip("[]() ") for cell in whole.pop()]
    names = whole[-1] if whole else [""] * width
    header = []
    for index, name in enumerate(names):
        bracketed = re.fullmatch(r"(.*?)\s*[\[(]([^\])]{1,12})[\])]\s*", name)
        if bracketed and bracketed[1]:
            name, units[index] = bracketed[1], units[index] or bracketed[2].strip()
        header.append(name[:60] or f"Column {index + 1}")
    return header, [unit[:12] for unit in units]


def _looks_like_units(row: list[str]) -> bool:
    words = {"v", "a", "s", "ms", "km/h", "kmh", "mph", "m/s", "°c", "c", "degc", "°f", "w", "wh", "ah", "m", "km",
             "rpm", "1/min", "mv", "ma", "deg", "°", "%", "hz", "kw", "volt", "amp", "volts", "amps", "k"}  # fmt: skip
    cells = [cell.strip("[]() ").lower() for cell in row if cell.strip("[]() ")]
    return bool(cells) and sum(cell in words for cell in cells) * 2 >= len(cells)


def _interval_s(lines: list[str]) -> float | None:
    """The time between two rows, as lines above the data may say it: "Sample rate: 10 Hz", "Interval;0,1;s"."""
    for line in lines:
        stated = _RATE.search(line)
        if stated is None:
            continue
        value = float(stated["number"].replace(",", "."))
        unit = (stated["unit"] or "").lower()
        if unit in ("hz", "1/s") or (not unit and "rate" in stated["word"].lower()):
            value = 1.0 / value if value > 0 else 0.0
        elif unit == "ms":
            value /= 1000.0
        return value if 1e-4 <= value <= 3600 else None
    return None
