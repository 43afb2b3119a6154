"""The JSON Schema agrees with the loader: what ships is valid, what is broken in one block is not."""

import jsonschema
import pytest

from rigd.files import load
from rigd.files.document import read
from rigd.files.schema import SHAPES, schema_of

SHIPPED = [
    ("demo", "rig"),
    ("two-modules", "rig"),
    ("demo-surge", "rig"),
    ("demo-surge-8", "rig"),
    ("ramped-burst", "profile"),
    ("timed-burst", "profile"),
    ("flush-direction", "profile"),
    ("air-check", "profile"),
    ("demo-flush", "rig"),
    ("cyclic-surge", "profile"),
    ("surge-air-over-water", "profile"),
    ("demo-leak", "rig"),
    ("cap-turn-leak", "profile"),
    ("demo-gas", "rig"),
    ("gas-leak", "profile"),
    ("cap-turn-decay", "profile"),
    ("commissioning", "profile"),
    ("K-21", "specimen"),
    ("L-21", "specimen"),
    ("M-21", "specimen"),
    ("N-21", "specimen"),
    ("K-07", "specimen"),
]


def data_of(name, kind):
    return read(load.find(name, kind).read_bytes(), name).data


@pytest.mark.parametrize(("name", "kind"), SHIPPED)
def test_shipped_files_are_valid(name, kind):
    schema = schema_of(kind)
    jsonschema.Draft202012Validator.check_schema(schema)
    assert schema["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    jsonschema.Draft202012Validator(schema).validate(data_of(name, kind))


BROKEN = [
    ("rig", ("relief", "set"), 600),
    ("rig", ("relief", "set"), "600"),
    ("rig", ("relief", "set"), "600 s"),
    ("rig", ("relief", "set"), "600 psig"),
    ("rig", ("relief", "set"), None),
    ("rig", ("relief", "reset"), "540 psi"),
    ("rig", ("channels", "tank", "role"), "feeed"),
    ("rig", ("channels", "tank", "address"), 2),
    ("rig", ("channels", "Tank 1"), {}),
    ("rig", ("rows", "door_shut", "when"), ["RUNING"]),
    ("profile", ("steps", 3, "rmap"), {}),
    ("profile", ("steps", 3, "vent"), {}),
    ("profile", ("minimum",), "nothing"),
    ("profile", ("required",), ["colour"]),
    ("specimen", ("surroundings",), "in oil"),
    ("specimen", ("specimen",), "../etc"),
]


@pytest.mark.parametrize(("kind", "path", "value"), BROKEN)
def test_broken_data_are_invalid(kind, path, value):
    data = data_of({kind: name for name, kind in reversed(SHIPPED)}[kind], kind)
    here = data
    for part in path[:-1]:
        here = here[part]
    here[path[-1]] = value
    assert list(jsonschema.Draft202012Validator(schema_of(kind)).iter_errors(data))


@pytest.mark.parametrize("kind", SHAPES)
def test_an_editor_can_complete_and_explain(kind):
    """Every key of every block is described, either itself or by its type, and no key may be null."""
    schema = schema_of(kind)
    blocks = [schema, *schema.get("$defs", {}).values()]
    silent = [
        f"{block.get('title')}.{key}"
        for block in blocks
        for key, field in block.get("properties", {}).items()
        if not (field.get("description") or "$ref" in field)
        and key not in ("name", "proved_by", "proved_on", "relief", "emergency_stop", "guard", "watchdog", "quantity")
    ]
    assert not silent
    assert '"null"' not in str(schema).replace("'", '"')
    for block in blocks:
        if block.get("type") == "object" and "properties" in block:
            assert block["additionalProperties"] is False
