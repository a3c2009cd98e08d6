"""The JSON Schema of every entry, for programs that write entries themselves."""

from collections.abc import Iterator
from typing import Any

import msgspec

from monitor.history.entries import ENTRIES, JUDGED, BeadWelded, Moved, TestBead
from monitor.model.event import EventKind

WORKED_OUT = {BeadWelded: JUDGED, TestBead: frozenset({"bead", "seen"})}  # said here, taken from nobody
FILLED_IN = {Moved: ("zone",)}  # where it is, if nobody says so


def schemas(kind: EventKind) -> Iterator[dict[str, Any]]:
    """The JSON Schema of every entry of a kind, without what is worked out here."""
    for made in ENTRIES:
        if made.kind is not kind:
            continue
        (shown,), parts = msgspec.json.schema_components([made], ref_template="{name}")
        plain = _inlined(parts[shown["$ref"]], parts)
        left_out, filled = WORKED_OUT.get(made, frozenset()), FILLED_IN.get(made, ())
        fields = {name: field for name, field in plain["properties"].items() if name not in left_out}
        yield {
            "title": made.__name__,
            "description": plain["description"].split(";")[0],
            "type": "object",
            "properties": {"entry": {"const": made.entry, "type": "string"}, **fields},
            "required": ["entry", *(name for name in plain.get("required", ()) if name not in filled)],
            "additionalProperties": False,
        }


def _inlined(schema: Any, parts: dict[str, Any]) -> Any:
    if isinstance(schema, list):
        return [_inlined(one, parts) for one in schema]
    if not isinstance(schema, dict):
        return schema
    if "$ref" in schema:
        rest = {name: value for name, value in schema.items() if name != "$ref"}
        return {**_inlined(parts[schema["$ref"]], parts), **rest}
    return {name: _inlined(value, parts) for name, value in schema.items()}
