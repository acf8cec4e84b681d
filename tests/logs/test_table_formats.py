"""Tables of other kinds than CSV: spreadsheets, JSON lines and long tables."""

import io
import json
import zipfile

from sessions.logs.content import kind_of_file
from sessions.logs.csv_layout import find_layout
from sessions.logs.plain_tables import PLAIN, plain_table
from sessions.logs.unpacking import unpacked


def table(content, name="table"):
    kind, problem = kind_of_file(io.BytesIO(content), len(content), name)
    assert not problem
    with unpacked(io.BytesIO(content), len(content), name) as opened:
        opened.kind = kind
        with plain_table(opened) as plain:
            head = find_layout(plain.file, plain.size, PLAIN if kind != "csv" else None)
            return kind, head, plain.notes


CSV = b"time (s),U (V),I (A)\n" + b"".join(b"%d,52.%d,1%d\n" % (n, n % 9, n % 7) for n in range(40))


def sheet(rows, kind="xlsx"):
    """By openpyxl's own kind of file, written here: the few parts that ECMA-376 asks of a workbook."""

    def cell(value):
        if isinstance(value, str):
            return f'<c t="inlineStr"><is><t>{value}</t></is></c>'
        return f"<c><v>{value}</v></c>"

    lines = "".join(f"<row>{''.join(map(cell, row))}</row>" for row in rows)
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr(
            "[Content_Types].xml",
            '<Types xmlns="http://schemas.openxmlformats.org/package/2006/content-types"><Default Extension="rels" '
            'ContentType="application/vnd.openxmlformats-package.relationships+xml"/><Default Extension="xml" '
            'ContentType="application/xml"/></Types>',
        )
        base = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
        rels = '<Relationships xmlns="http://schemas.openxmlformats.org/package/2006/relationships"><Relationship Id="r1" Type="{}" Target="{}"/></Relationships>'  # noqa: E501
        packed.writestr("_rels/.rels", rels.format(f"{base}/officeDocument", "xl/workbook.xml"))
        packed.writestr("xl/_rels/workbook.xml.rels", rels.format(f"{base}/worksheet", "worksheets/sheet1.xml"))
        main = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
        packed.writestr(
            "xl/workbook.xml",
            f'<workbook xmlns="{main}" xmlns:r="{base}"><sheets><sheet name="Log" sheetId="1" r:id="r1"/></sheets></workbook>',  # noqa: E501
        )
        packed.writestr(
            "xl/worksheets/sheet1.xml", f'<worksheet xmlns="{main}"><sheetData>{lines}</sheetData></worksheet>'
        )
    return out.getvalue()


def numbers(head, place):
    return [float(row[place]) for row in head.rows]


def test_a_spreadsheet_is_read_like_its_csv():
    rows = [["time (s)", "U (V)", "I (A)"], *([n, 52 + n % 9 / 10, 10 + n % 7] for n in range(40))]
    kind, head, _ = table(sheet(rows), "log.xlsx")
    assert kind == "sheet"
    assert head.layout.names == ["time", "U", "I"]
    assert head.layout.units == ["s", "V", "A"]
    assert numbers(head, 1) == [52 + n % 9 / 10 for n in range(20)]


ODS = """<office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0">
<office:body>
<office:spreadsheet><table:table table:name="Log">%s</table:table></office:spreadsheet></office:body>
</office:document-content>"""


def test_an_open_document_sheet_with_repeated_cells():
    """ODF 1.2 part 1, 9.4: a cell may say how often it is repeated."""
    row = '<table:table-row><table:table-cell office:value-type="float" office:value="{0}"><text:p>{0}</text:p></table:table-cell><table:table-cell office:value-type="float" office:value="7" table:number-columns-repeated="2"><text:p>7</text:p></table:table-cell></table:table-row>'  # noqa: E501
    head_row = (
        "<table:table-row>"
        + "".join(
            f'<table:table-cell office:value-type="string"><text:p>{name}</text:p></table:table-cell>'
            for name in ("time", "volts", "amps")
        )
        + "</table:table-row>"
    )
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as packed:
        packed.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        packed.writestr(
            "META-INF/manifest.xml",
            '<manifest:manifest xmlns:manifest="urn:oasis:names:tc:opendocument:xmlns:manifest:1.0"/>',
        )
        packed.writestr("content.xml", ODS % (head_row + "".join(row.format(n) for n in range(12))))
    kind, head, _ = table(out.getvalue(), "log.ods")
    assert kind == "sheet"
    assert head.layout.names == ["time", "volts", "amps"]
    assert numbers(head, 0) == list(range(12))
    assert numbers(head, 2) == [7] * 12


def test_json_lines_with_values_within_values():
    lines = [{"t": n / 10, "pack": {"voltage": 52.5, "cells": [3.7, 3.71]}, "ok": True} for n in range(30)]
    content = "\n".join(map(json.dumps, lines)).encode() + b'\n{"t": 3.0, "pack": {"vol'
    kind, head, notes = table(content, "log.jsonl")
    assert kind == "jsonl"
    assert head.layout.names == ["t", "pack.voltage", "pack.cells.1", "pack.cells.2", "ok"]
    assert numbers(head, 3) == [3.71] * 20
    assert notes == ["1 line is left out, no whole JSON object; the first is line 31."]


def test_a_long_table_becomes_columns():
    rows = b"".join(b"%.1f;voltage;52,%d;V\n%.1f;current;1%d,0;A\n" % (n / 10, n % 9, n / 10, n % 7) for n in range(30))
    kind, head, notes = table(b"time;name;value;unit\n" + rows, "log.csv")
    assert kind == "long"
    assert head.layout.names == ["time", "voltage", "current"]
    assert head.layout.units == ["", "V", "A"]
    assert numbers(head, 1) == [52 + n % 9 / 10 for n in range(20)]
    assert "2 names became columns" in notes[0]


def test_a_table_with_a_column_of_words_is_no_long_one():
    wide = b"time,state,volts\n" + b"".join(b"%d,riding,52.1\n" % n for n in range(30))
    assert table(wide, "log.csv")[0] == "csv"
