"""Cuts HL7's JSON schema of FHIR R4 down to what a visit's Bundle is made of.

    python cut_fhir_schema.py fhir.schema.json > fhir_r4.schema.json

Taken away: all resources but four and what only they need, all descriptions, and the elements
that the Bundle never uses (extensions, contained resources, narratives, languages). So it
refuses more than the whole schema does, and nothing less.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path

RESOURCES = ("Bundle", "Device", "Observation", "Patient")
UNUSED = {"extension", "modifierExtension", "contained", "implicitRules", "language"}


def _plain(value: object) -> object:
    if isinstance(value, dict):
        return {key: _plain(inner) for key, inner in value.items() if key != "description"}
    return [_plain(inner) for inner in value] if isinstance(value, list) else value


def _cut(name: str, definition: dict) -> dict:
    if name == "ResourceList":
        return {"oneOf": [{"$ref": f"#/definitions/{resource}"} for resource in RESOURCES]}
    unused = UNUSED | ({"text"} if name in RESOURCES else set())
    cut = _plain(definition)
    if "properties" in cut:
        cut["properties"] = {
            key: inner
            for key, inner in cut["properties"].items()
            if key not in unused and not key.startswith("_")
        }
    return cut


def _named(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from [inner.rsplit("/", 1)[1]] if key == "$ref" else _named(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _named(inner)


def cut_schema(whole: dict) -> dict:
    """Return the schema of the four resources."""
    kept: dict[str, dict] = {}
    waiting = list(RESOURCES)
    while waiting:
        name = waiting.pop()
        if name not in kept:
            kept[name] = _cut(name, whole["definitions"][name])
            waiting += _named(kept[name])
    return {
        "$schema": whole["$schema"],
        "id": whole["id"],
        "$ref": "#/definitions/Bundle",
        "definitions": dict(sorted(kept.items())),
    }


if __name__ == "__main__":
    schema = cut_schema(json.loads(Path(sys.argv[1]).read_text(encoding="utf-8")))
    sys.stdout.write(json.dumps(schema, separators=(",", ":")) + "\n")
