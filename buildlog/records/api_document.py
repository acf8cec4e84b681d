"""Additions to the OpenAPI document that the framework cannot read from the views: refusals and answers to PUT."""

from __future__ import annotations

from typing import Any

REFUSAL = {
    "description": "Why not: a sentence under `detail`, or sentences under the name of each field that is wrong.",
    "anyOf": [{"type": "object", "additionalProperties": True}, {"type": "array", "items": {}}],
}
REMOVED = {
    "type": "object",
    "properties": {"id": {"type": "string", "format": "uuid"}, "removed": {"type": "boolean"}},
    "required": ["id", "removed"],
}
WORDS = {
    "400": "Something in it is wrong, and the answer says what.",
    "401": "Nobody is signed in, or the key is unknown.",
    "403": "The account or key may not do this.",
    "404": "There is no such record, or no such page of a list.",
    "409": "Other records depend on it, so it is not removed.",
    "412": "The record was changed elsewhere in the meantime; both versions are in the answer.",
    "413": "The request is larger than is accepted.",
    "415": "The format of the request is not supported.",
    "428": "The record exists and would change, and the request does not name the version that it changes.",
}


def with_refusals(result: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Post-processing hook of drf-spectacular."""
    result["components"].setdefault("schemas", {})["Refusal"] = REFUSAL
    for path, operations in result["paths"].items():
        for method, operation in operations.items():
            _complete(path, method, operation)
    return result


def _complete(path: str, method: str, operation: dict[str, Any]) -> None:
    answers = operation["responses"]
    if method == "put" and "200" in answers:
        answers["201"] = {
            **answers["200"],
            "description": "Created; 200: it existed, and changed or stayed as it was.",
        }
    if method == "delete":
        answers.pop("204", None)
        answers["200"] = {"description": "Removed.", "content": {"application/json": {"schema": REMOVED}}}
    codes = ["401", "403"]
    codes += ["404"] if "{" in path or method == "get" else []
    codes += ["400", "413", "415"] if method in ("post", "put", "patch") else ["400"] if method == "get" else []
    codes += ["412"] if method in ("put", "patch", "delete") else []
    codes += ["428"] if method in ("put", "patch") else []
    codes += ["409"] if method == "delete" else []
    content = {"application/json": {"schema": {"$ref": "#/components/schemas/Refusal"}}}
    for code in codes:
        answers.setdefault(code, {"description": WORDS[code], "content": content})
