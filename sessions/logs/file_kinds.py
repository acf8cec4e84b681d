"""What kind of recording a file is, by what is in it; its name decides only where the content leaves it open."""

from __future__ import annotations

import re

READ_KINDS = (
    "Read are tracks as GPX, FIT, TCX, NMEA 0183, GeoJSON and KML, and tables as CSV or other text with delimiters, "
    "XLSX, XLS, ODS and JSON; each also in a gzip or a zip."
)
GPX, FIT, TCX, NMEA, GEOJSON, KML = "gpx", "fit", "tcx", "nmea", "geojson", "kml"
TRACKS = (GPX, FIT, TCX, NMEA, GEOJSON, KML)
CSV, SHEET, JSON_LINES, LONG = "csv", "sheet", "jsonl", "long"
TABLES = (CSV, SHEET, JSON_LINES, LONG)
"""Of these a person says what the columns mean."""

GZIP_MARK, ZIP_MARK, OLD_OFFICE_MARK = b"\x1f\x8b", b"PK\x03\x04", b"\xd0\xcf\x11\xe0"
_ROOTS = {"gpx": GPX, "TrainingCenterDatabase": TCX, "kml": KML}
_ROOT = re.compile(rb"<(?![?!])(?:[\w.-]+:)?([\w.-]+)")
_GEOJSON = re.compile(rb'"type"\s*:\s*"(FeatureCollection|Feature|LineString|MultiLineString)"')
_SENTENCE = re.compile(rb"\$[A-Z]{2}(RMC|GGA|GLL|VTG|GSA|GSV|ZDA|GNS|TXT),")
_BY_NAME = {f".{kind}": kind for kind in TRACKS} | {".json": GEOJSON}
_OTHERS = (
    (b"%PDF", "a PDF"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"GIF8", "a picture"),
    (b"PK\x03\x04", "a zip in which no recording was recognised"),
    (GZIP_MARK, "a compressed file in another one"),
    (b"SQLite format 3", "a database"),
    (b"7z\xbc\xaf\x27\x1c", "an archive of another kind"),
    (b"Rar!", "an archive of another kind"),
    (b"HDF", "measured data of a kind that is not read"),
    (b"\x89HDF", "measured data of a kind that is not read"),
    (b"MDF     ", "measured data of a kind that is not read"),
    (b"PAR1", "measured data of a kind that is not read"),
)


def kind_of(head: bytes, name: str = "") -> str:
    """The kind of an unpacked file by its first bytes.

    What is none of the others is CSV: whoever looks for its columns says what is wrong with it.
    """
    if head[8:12] == b".FIT" or (head[:1] in (b"\x0c", b"\x0e") and name.lower().endswith(".fit")):
        return FIT
    if head.startswith((ZIP_MARK, OLD_OFFICE_MARK)):
        return SHEET
    text = head.lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n\0").replace(b"\0", b"")
    if text.startswith(b"<"):
        root = _ROOT.search(re.sub(rb"<!--.*?-->", b"", text, flags=re.DOTALL))
        known = _ROOTS.get(root[1].decode("ascii", "replace")) if root else None
        if known:
            return known
    if text.startswith((b"{", b"[")):
        if _GEOJSON.search(text):
            return GEOJSON
        # A list of objects, or one object a line.
        return JSON_LINES
    if _SENTENCE.search(text[:2000]):
        return NMEA
    by_name = next((kind for ending, kind in _BY_NAME.items() if name.lower().endswith(ending)), CSV)
    return by_name if by_name in (GPX, TCX, KML, NMEA) else CSV


def other_kind(head: bytes) -> str:
    """What a file is that cannot be read, in words; nothing where it may be a table."""
    return next((what for mark, what in _OTHERS if head.startswith(mark)), "")
