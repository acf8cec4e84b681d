"""Files that somebody might send to break, overload or take over a place that takes files.

Each is made here, from bytes up; the names say what it pretends and what it is.
"""

from __future__ import annotations

import base64
import io
import json
import struct
import uuid
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import dataclass

from PIL import Image, PngImagePlugin

SCRIPT = b"<script>alert(1)</script>"


@dataclass(frozen=True)
class Sent:
    """A file as a browser or program declares it."""

    content: bytes
    name: str = "picture.jpg"
    content_type: str = "image/jpeg"


def picture(form: str = "JPEG", size: tuple[int, int] = (60, 40), **more: object) -> bytes:
    buffer = io.BytesIO()
    Image.new("RGB", size, (10, 120, 200)).save(buffer, form, **more)
    return buffer.getvalue()


def png_chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def png(width: int, height: int, body: bytes) -> bytes:
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + png_chunk(b"IHDR", header)
        + png_chunk(b"IDAT", zlib.compress(body))
        + png_chunk(b"IEND", b"")
    )


def png_with_a_text_bomb() -> bytes:
    """A small picture with a compressed comment of 200 MB."""
    text = b"Comment\0\0" + zlib.compress(b"a" * 200_000_000, 9)
    whole = picture("PNG")
    return whole[:33] + png_chunk(b"zTXt", text) + whole[33:]


def jpeg_with_script() -> bytes:
    exif = Image.Exif()
    exif[0x010E] = SCRIPT.decode()  # ImageDescription
    exif[0x013B] = "'; DROP TABLE photos; --"  # Artist
    return picture(exif=exif, comment=SCRIPT)


def png_with_script() -> bytes:
    data = PngImagePlugin.PngInfo()
    data.add_text("Title", SCRIPT.decode())
    data.add_itxt("XML:com.adobe.xmp", f"<x:xmpmeta>{SCRIPT.decode()}</x:xmpmeta>")
    return picture("PNG", pnginfo=data)


def animated(form: str, frames: int = 40) -> bytes:
    buffer = io.BytesIO()
    first, *others = [Image.new("RGB", (30, 30), (n * 5, 0, 0)) for n in range(frames)]
    first.save(buffer, form, save_all=True, append_images=others)
    return buffer.getvalue()


def packed(entries: dict[str, bytes], **more: object) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as target:
        for name, content in entries.items():
            target.writestr(name, content, **more)
    return buffer.getvalue()


def packed_link(name: str, target: bytes) -> bytes:
    """A zip whose entry is a symbolic link, as Unix zips mark it."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as packed_file:
        entry = zipfile.ZipInfo(name)
        entry.create_system, entry.external_attr = 3, 0o120777 << 16
        packed_file.writestr(entry, target)
    return buffer.getvalue()


def machine(photo: bytes | None = None, name: str = "", **kinds: object) -> bytes:
    """The archive of a machine as this product writes it, with a picture of somebody else's making."""
    vehicle, revision, shown = (str(uuid.uuid5(uuid.NAMESPACE_OID, word)) for word in ("vehicle", "revision", "photo"))
    records: dict[str, object] = {
        "firnlog": "machine",
        "format": 1,
        "name": "Sled",
        "vehicle": [{"id": vehicle, "name": "Sled"}],
        "revision": [{"id": revision, "vehicle_id": vehicle, "number": 1, "date": "2026-01-10", "status": "riding"}],
        "photo": [{"id": shown, "revision_id": revision, "image": "../../secret_key", "thumbnail": "/etc/passwd",
                   "width_px": 1, "height_px": 1}] if photo is not None else [],
        **kinds,
    }  # fmt: skip
    entries = {"records.json": json.dumps(records).encode()}
    if photo is not None:
        entries[name or f"photos/{shown}.jpg"] = photo
    return packed(entries)


def declared_size(whole: bytes, size: int) -> bytes:
    """A zip that says of each entry that it unpacks to `size` bytes (at most 4 GB in this field)."""
    result = bytearray(whole)
    at = -1
    while (at := result.find(b"PK\x01\x02", at + 1)) >= 0:
        result[at + 24 : at + 28] = struct.pack("<I", size)
    return bytes(result)


def overlapping_bomb() -> bytes:
    """Many names in the directory for one compressed kernel of 10 MB: it unpacks to many times its size."""
    inner = packed({"records.json": b" " * 10_000_000})
    start = inner.find(b"PK\x01\x02")
    end = inner.find(b"PK\x05\x06")
    entry = inner[start:end]
    many = 300
    tail = bytearray(inner[end:])
    tail[8:12] = struct.pack("<HH", many, many)
    tail[12:20] = struct.pack("<II", len(entry) * many, start)
    return inner[:start] + entry * many + bytes(tail)


def phone_file(*records: object, **more: object) -> bytes:
    return json.dumps({"firnlog": "unsent", "format": 1, "records": list(records), **more}).encode()


def phone_photo(content: bytes, **payload: object) -> bytes:
    record = {
        "kind": "photos",
        "id": str(uuid.uuid4()),
        "payload": payload,
        "bytes": base64.b64encode(content).decode(),
    }
    return phone_file(record)


def gpx(inside: str = "", head: str = "", namespace: str = "http://www.topografix.com/GPX/1/1") -> bytes:
    return f'<?xml version="1.0"?>{head}<gpx xmlns="{namespace}" version="1.1" creator="x">{inside}</gpx>'.encode()


def points(count: int, **more: str) -> str:
    inside = "".join(f"<{name}>{value}</{name}>" for name, value in more.items())
    rows = "".join(f'<trkpt lat="60.00{n}" lon="25">{inside}</trkpt>' for n in range(count))
    return f"<trk><trkseg>{rows}</trkseg></trk>"


LAUGHS = "".join(f'<!ENTITY l{n} "{f"&l{n - 1};" * 10}">' for n in range(1, 10))

PICTURES: dict[str, Callable[[], Sent]] = {
    "nothing at all": lambda: Sent(b""),
    "one byte": lambda: Sent(b"\xff"),
    "only the first bytes of a JPEG": lambda: Sent(picture()[:20]),
    "a JPEG cut in the middle": lambda: Sent(picture(size=(900, 600))[:-2000]),
    "a PNG cut in the middle": lambda: Sent(png(600, 400, b"\0" * 50), "x.png", "image/png"),
    "a page named .jpg": lambda: Sent(b"<!doctype html>" + SCRIPT),
    "a page that begins like a GIF": lambda: Sent(b"GIF89a/*" + SCRIPT + b"*/=1;"),
    "an SVG with a script, named .jpg": lambda: Sent(b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>'),
    "an SVG under its own type": lambda: Sent(b'<svg xmlns="http://www.w3.org/2000/svg"/>', "x.svg", "image/svg+xml"),
    "a program": lambda: Sent(b"\x7fELF" + b"\0" * 2000, "photo.jpg.exe", "application/octet-stream"),
    "a server's script": lambda: Sent(b"<?php system($_GET['c']); ?>", "x.php", "application/x-php"),
    "a PDF": lambda: Sent(b"%PDF-1.7\n1 0 obj<</JS(app.alert(1))>>endobj"),
    "PostScript": lambda: Sent(b"%!PS-Adobe-3.0 EPSF-3.0\n%%BoundingBox: 0 0 9 9\n(/etc/passwd)(r)file", "x.eps"),
    "an animated GIF": lambda: Sent(animated("GIF"), "x.gif", "image/gif"),
    "a TIFF of a thousand tags": lambda: Sent(picture("TIFF") + b"\0" * 12000, "x.tif", "image/tiff"),
    "a Windows icon": lambda: Sent(picture("ICO"), "x.ico", "image/x-icon"),
    "a Photoshop head": lambda: Sent(b"8BPS\0\1" + b"\0" * 600, "x.psd"),
    "a bomb by its declared size": lambda: Sent(png(60_000, 60_000, b"\0"), "x.png", "image/png"),
    "a bomb just under the other limit": lambda: Sent(png(9_000, 6_000, b"\0"), "x.png", "image/png"),
    "a bomb in a comment": lambda: Sent(png_with_a_text_bomb(), "x.png", "image/png"),
    "a picture without a height": lambda: Sent(png(10, 0, b"\0"), "x.png", "image/png"),
    "a zip": lambda: Sent(packed({"x": b"y"}), "x.jpg"),
    "a file that is too large": lambda: Sent(picture() + b"\0" * (15 * 1024 * 1024), "x.jpg"),
}
"""Files that are no picture anybody may show: refused with a sentence."""

TAKEN_AND_CLEANED: dict[str, Callable[[], Sent]] = {
    "a JPEG with a page behind it": lambda: Sent(picture() + SCRIPT + b"</html>"),
    "a JPEG with a zip behind it": lambda: Sent(picture() + packed({"../../x": b"y"})),
    "a JPEG with scripts in its EXIF and comment": lambda: Sent(jpeg_with_script()),
    "a PNG with scripts in its texts": lambda: Sent(png_with_script(), "x.png", "image/png"),
    "an animated WebP": lambda: Sent(animated("WEBP"), "x.webp", "image/webp"),
    "an animated PNG": lambda: Sent(animated("PNG"), "x.png", "image/png"),
    "a JPEG that calls itself a page": lambda: Sent(picture(), "page.html", "text/html"),
    "a JPEG with a path for a name": lambda: Sent(picture(), "../../../../etc/cron.d/x.jpg"),
    "a JPEG with a name of 600 signs": lambda: Sent(picture(), "a" * 600 + ".jpg"),
    "a JPEG with a zero sign in its name": lambda: Sent(picture(), "x.php\0.jpg"),
    "a JPEG with a script for a name": lambda: Sent(picture(), "<img src=x onerror=alert(1)>.jpg"),
}
"""Pictures with something about them: what is stored is the picture alone."""

TRACKS: dict[str, Callable[[], Sent]] = {
    "nothing at all": lambda: Sent(b"", "x.gpx"),
    "only a head": lambda: Sent(b'<?xml version="1.0"?>', "x.gpx"),
    "cut in the middle": lambda: Sent(gpx(points(2))[:-60], "x.gpx"),
    "a page": lambda: Sent(b"<!doctype html><html>" + SCRIPT + b"</html>", "x.gpx", "text/html"),
    "an SVG": lambda: Sent(b'<svg xmlns="http://www.w3.org/2000/svg"/>', "x.gpx", "image/svg+xml"),
    "a billion laughs": lambda: Sent(gpx("&l9;", f'<!DOCTYPE x [<!ENTITY l0 "ha">{LAUGHS}]>'), "x.gpx"),
    "a file of the server": lambda: Sent(gpx("&f;", '<!DOCTYPE x [<!ENTITY f SYSTEM "file:///etc/passwd">]>'), "x.gpx"),
    "a document type from elsewhere": lambda: Sent(gpx("", '<!DOCTYPE gpx SYSTEM "http://192.0.2.1/x.dtd">'), "x.gpx"),
    "a place outside the earth": lambda: Sent(gpx(points(3).replace("25", "1e9")), "x.gpx"),
    "a place that is no number": lambda: Sent(gpx(points(3).replace("25", "NaN")), "x.gpx"),
    "a time that is none": lambda: Sent(gpx(points(3, time="yesterday")), "x.gpx"),
    "a time beyond all calendars": lambda: Sent(gpx(points(3, time="99999-01-01T00:00:00Z")), "x.gpx"),
    "tags a thousand deep": lambda: Sent(gpx("<a>" * 5000), "x.gpx"),
    "an encoding that is none": lambda: Sent(b'<?xml version="1.0" encoding="x-none"?><gpx/>', "x.gpx"),
    "half of it in UTF-16": lambda: Sent(gpx(points(1)).decode().encode("utf-16")[:-31], "x.gpx"),
    "a compressed file": lambda: Sent(zlib.compress(gpx(points(3))), "x.gpx.gz", "application/gzip"),
    "a picture": lambda: Sent(picture(), "x.gpx"),
}

ARCHIVES: dict[str, Callable[[], Sent]] = {
    "nothing at all": lambda: Sent(b"", "x.zip"),
    "no zip": lambda: Sent(picture(), "x.zip"),
    "an empty zip": lambda: Sent(packed({}), "x.zip"),
    "a zip cut in the middle": lambda: Sent(machine(picture())[:-30], "x.zip"),
    "a zip without its records": lambda: Sent(packed({"readme.txt": b"hello"}), "x.zip"),
    "records that climb out": lambda: Sent(packed({"../../../../tmp/records.json": b"{}"}), "x.zip"),
    "records at the root of the disk": lambda: Sent(packed({"/records.json": b"{}"}), "x.zip"),
    "records that are a link": lambda: Sent(packed_link("records.json", b"/etc/passwd"), "x.zip"),
    "records that are no JSON": lambda: Sent(packed({"records.json": b"\xff\xfe"}), "x.zip"),
    "records nested too deep": lambda: Sent(packed({"records.json": b"[" * 200_000}), "x.zip"),
    "records of another kind": lambda: Sent(packed({"records.json": b"[1,2]"}), "x.zip"),
    "records of the future": lambda: Sent(packed({"records.json": b'{"firnlog":"machine","format":99}'}), "x.zip"),
    "a bomb by its declared size": lambda: Sent(declared_size(machine(), 4_000_000_000), "x.zip"),
    "a bomb of one kernel under many names": lambda: Sent(overlapping_bomb(), "x.zip"),
    "records of 201 MB": lambda: Sent(packed({"records.json": b" " * (201 * 1024 * 1024)}), "x.zip"),
    "a damaged list": lambda: Sent(machine(vehicle="no list"), "x.zip"),
    "rows that are no rows": lambda: Sent(machine(revision=[7]), "x.zip"),
    "keys that are none": lambda: Sent(machine(revision=[{"id": "../x", "vehicle_id": "../y", "number": 1}]), "x.zip"),
    "values of the wrong kind": lambda: Sent(
        machine(vehicle=[{"id": str(uuid.UUID(int=1)), "name": {"a": 1}}]), "x.zip"
    ),
    "a number without end": lambda: Sent(
        packed({"records.json": b'{"firnlog":"machine","format":1,"vehicle":[' + b"9" * 5000 + b"]}"}), "x.zip"
    ),
    "a name with a zero sign": lambda: Sent(machine(vehicle=[{"id": str(uuid.UUID(int=1)), "name": "a\0b"}]), "x.zip"),
    "half a letter": lambda: Sent(machine(vehicle=[{"id": str(uuid.UUID(int=1)), "name": "\ud800"}]), "x.zip"),
    "more files than any machine has": lambda: Sent(packed(dict.fromkeys(map(str, range(20_001)), b"")), "x.zip"),
    "a locked zip": lambda: Sent(bytes(_locked(machine())), "x.zip"),
}


def _locked(whole: bytes) -> bytearray:
    """Every entry marked as encrypted."""
    result = bytearray(whole)
    for mark, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = -1
        while (at := result.find(mark, at + 1)) >= 0:
            result[at + place] |= 1
    return result


PHONE_FILES: dict[str, Callable[[], Sent]] = {
    "nothing at all": lambda: Sent(b"", "x.json"),
    "no JSON": lambda: Sent(b"{", "x.json"),
    "a list nested too deep": lambda: Sent(b"[" * 200_000, "x.json"),
    "a page": lambda: Sent(b"<html>" + SCRIPT, "x.json", "text/html"),
    "not text": lambda: Sent(b"\xff\xfe\x00", "x.json"),
    "of the future": lambda: Sent(b'{"firnlog":"unsent","format":99,"records":[]}', "x.json"),
    "a format that is a script": lambda: Sent(b'{"firnlog":"unsent","format":"<script>","records":[]}', "x.json"),
    "a number without end": lambda: Sent(b'{"firnlog":"unsent","format":1,"records":[' + b"9" * 5000 + b"]}", "x.json"),
    "another thing": lambda: Sent(b"[1]", "x.json"),
    "a zip": lambda: Sent(packed({"x": b"y"}), "x.json"),
}
"""Files that are none of the field page's: refused with a sentence."""

PHONE_RECORDS: dict[str, object] = {
    "an unknown kind": {"kind": "accounts", "id": str(uuid.UUID(int=1)), "payload": {"role": "owner"}},
    "a kind that is a path": {"kind": "../../vehicles", "id": str(uuid.UUID(int=1)), "payload": {}},
    "a key that is none": {"kind": "venues", "id": "../x", "payload": {"name": "x"}},
    "a key that is a table": {"kind": "venues", "id": {}, "payload": {"name": "x"}},
    "no content": {"kind": "venues", "id": str(uuid.UUID(int=1))},
    "content that is a list": {"kind": "venues", "id": str(uuid.UUID(int=1)), "payload": [1]},
    "a name with a zero sign": {"kind": "venues", "id": str(uuid.UUID(int=1)), "payload": {"name": "a\0b"}},
    "half a letter": {"kind": "venues", "id": str(uuid.UUID(int=1)), "payload": {"name": "\ud800"}},
    "a picture that is a page": {
        "kind": "photos", "id": str(uuid.UUID(int=1)), "payload": {}, "bytes": base64.b64encode(SCRIPT).decode()
    },
    "a picture that is no base64": {"kind": "photos", "id": str(uuid.UUID(int=1)), "payload": {}, "bytes": "%%%"},
    "a picture of nothing here": {
        "kind": "photos", "id": str(uuid.UUID(int=1)), "payload": {"session": str(uuid.UUID(int=2))},
        "bytes": base64.b64encode(picture()).decode(),
    },
    "a picture of a table": {
        "kind": "photos", "id": str(uuid.UUID(int=1)), "payload": {"session": {"a": 1}},
        "bytes": base64.b64encode(picture()).decode(),
    },
    "a removal of what is not there": {"kind": "venues", "id": str(uuid.UUID(int=1)), "action": "remove"},
    "a time beyond all calendars": {
        "kind": "sessions", "id": str(uuid.UUID(int=1)), "payload": {"started_at": "99999-01-01T00:00:00Z"}
    },
    "a number beyond all databases": {
        "kind": "test-card-items", "id": str(uuid.UUID(int=1)), "payload": {"position": 10**400}
    },
}  # fmt: skip
"""Records of a file that is otherwise whole: each is refused with a sentence of its own."""
