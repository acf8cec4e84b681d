"""Points out of tracks that are written as XML, in the order in which they stand there, up to where a file breaks off.

Document types and entities are refused, so that no file can grow while it is read. Names are compared without their
namespace: what an instrument calls its version of a format says little about what is in it. The parser is the one
beneath the standard library's trees; a tree of elements takes three times as long and holds the file twice.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import IO
from xml.parsers import expat

from sessions.logs.series import NotARecording

BLOCK_BYTES = 256 * 1024
MOST_FIELDS = 60
LONGEST_TEXT = 4_000_000
Fields = dict[str, str]
"""Texts of the elements within a point, by their way below it: "ele", "extensions/TrackPointExtension/hr"."""

_ENCODING_ERRORS = {
    expat.errors.codes[message]
    for message in (expat.errors.XML_ERROR_UNKNOWN_ENCODING, expat.errors.XML_ERROR_INCORRECT_ENCODING)
}
_AFTER_THE_END = expat.errors.codes[expat.errors.XML_ERROR_JUNK_AFTER_DOC_ELEMENT]


def read_points(
    file: IO[bytes],
    root: str,
    format_name: str,
    wanted: frozenset[str],
    take: Callable[[str, Fields, dict[str, str]], None],
) -> str:
    """Call `take` with name, fields and attributes of each wanted element, when it ends. Where the file breaks off
    after some of them, a sentence that says so is returned.

    Raises NotARecording with a sentence.
    """
    parser = expat.ParserCreate(namespace_separator="}")
    parser.buffer_text = True
    way: list[str] = []
    fields: Fields = {}
    attributes_of_point: dict[str, str] = {}
    text: list[str] = []
    inside = depth = taken = 0

    def refuse_document_type(*_: object) -> None:
        raise NotARecording(f"The file declares a document type or entities, which no {format_name} file does.")

    def begin_root(name: str, attributes: dict[str, str]) -> None:
        tag = name.rpartition("}")[2]
        if tag != root:
            raise NotARecording(f"The file begins with <{tag[:40]}>, not with {format_name}.")
        parser.StartElementHandler = begin
        begin(name, attributes)

    def begin(name: str, attributes: dict[str, str]) -> None:
        nonlocal depth, inside, fields, attributes_of_point
        depth += 1
        tag = name.rpartition("}")[2]
        if inside:
            way.append(tag)
            text.clear()
        elif tag in wanted:
            inside, fields, attributes_of_point = depth, {}, attributes
            text.clear()
            parser.CharacterDataHandler = text.append

    def end(name: str) -> None:
        nonlocal depth, inside, taken
        if inside == depth:
            tag = name.rpartition("}")[2]
            if not fields:
                fields[""] = "".join(text)
            inside = 0
            parser.CharacterDataHandler = None
            take(tag, fields, attributes_of_point)
            taken += 1
        elif inside:
            written = "".join(text).strip()
            if written and len(fields) < MOST_FIELDS:
                fields.setdefault("/".join(way), written)
            text.clear()
            way.pop()
        depth -= 1

    parser.StartDoctypeDeclHandler = parser.EntityDeclHandler = refuse_document_type
    parser.StartElementHandler, parser.EndElementHandler = begin_root, end
    try:
        while block := file.read(BLOCK_BYTES):
            parser.Parse(block, False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        if error.code in _ENCODING_ERRORS:
            raise NotARecording("The file's text encoding cannot be read. Export the track as UTF-8.") from None
        if error.code == _AFTER_THE_END:
            return f"What follows after its end, from line {error.lineno}, is left out."
        if taken < 2:
            raise NotARecording(
                f"The file breaks off or is not XML at line {error.lineno}, column {error.offset}. "
                f"Export the track again, as {format_name}."
            ) from None
        return f"The file breaks off at line {error.lineno}, column {error.offset}: what comes before is read."
    except (UnicodeDecodeError, LookupError):
        raise NotARecording("The file's text encoding cannot be read. Export the track as UTF-8.") from None
    return ""
