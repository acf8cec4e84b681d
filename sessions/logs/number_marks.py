"""Numbers as loggers write them: decimal marks, and marks between thousands of four kinds."""

from __future__ import annotations

import re

LONGEST_NUMBER = 40
_POINT = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_COMMA = re.compile(r"[+-]?(\d+,\d*|,\d+)([eE][+-]?\d+)?")
_TIME = re.compile(r"[\dT:./ +-]*\d[:/.-]\d[\dT:./ +-]*(,\d+)?(Z| ?[AaPp][Mm])?")
NOT_MEASURED = {"", "nan", "na", "n/a", "null", "none", "-", "--"}
_SPACES = re.compile("[\u00a0\u2009\u202f]")
_APOSTROPHES = re.compile("[\u2019\u02bc]")
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}(\.\d{3})+(,\d+)?"),
    ",": re.compile(r"[+-]?\d{1,3}(,\d{3})+(\.\d+)?"),
    "'": re.compile(r"[+-]?\d{1,3}('\d{3})+([.,]\d+)?"),
    " ": re.compile(r"[+-]?\d{1,3}( \d{3})+([.,]\d+)?"),
}


def is_number(cell: str) -> bool:
    """A number with either decimal mark, a date, a time of day, or nothing measured."""
    if len(cell) > LONGEST_NUMBER:
        return False
    return (
        cell.lower() in NOT_MEASURED
        or bool(_POINT.fullmatch(cell) or _COMMA.fullmatch(cell))
        or any(pattern.fullmatch(plain_marks(cell)) for pattern in _GROUPED.values())
        or bool(_TIME.fullmatch(cell))
    )


def plain_marks(cell: str) -> str:
    """A cell with the plain space and apostrophe in place of the typographers'."""
    return _APOSTROPHES.sub("'", _SPACES.sub(" ", cell))


def decimal_mark(rows: list[list[str]], delimiter: str) -> str:
    if delimiter == ",":
        # A comma within quotation marks can only part thousands.
        return "."
    cells = [plain_marks(cell) for row in rows for cell in row]
    grouped = [cell for cell in cells if any(pattern.fullmatch(cell) for pattern in _GROUPED.values())]
    last_marks = [re.sub(r"[^.,]", "", cell)[-1:] for cell in grouped if re.search(r"[.,' ].*[.,]", cell)]
    if last_marks:
        # The mark after that of the thousands is the decimal one.
        return max(".,", key=last_marks.count)
    commas = sum("," in cell and bool(_COMMA.fullmatch(cell)) for cell in cells)
    points = sum("." in cell and bool(_POINT.fullmatch(cell)) for cell in cells)
    # With points in other cells, a comma before three digits parts thousands.
    if points and all(_GROUPED[","].fullmatch(cell) for cell in cells if "," in cell):
        return "."
    return "," if commas > points else "."


def thousands_mark(rows: list[list[str]], decimal: str) -> str:
    """The mark between thousands, or nothing where there is none."""
    cells = [plain_marks(cell) for row in rows for cell in row]
    for mark, pattern in _GROUPED.items():
        if mark != decimal and any(pattern.fullmatch(cell) for cell in cells):
            # A single point or comma before three digits is a decimal mark unless another mark is that.
            sure = mark in "' " or any(decimal in cell for cell in cells)
            if sure:
                return mark
    return ""
