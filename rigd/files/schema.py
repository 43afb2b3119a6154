"""The JSON Schema (2020-12) of each kind of file, so that an editor completes keys and underlines what is wrong.

It comes from the same shapes that load the files and can never disagree with them on a key; what needs more than one
block to judge (names that exist, limits in order) only `rigd check` can tell.
"""

from typing import Any

from rigd.files.profile_shape import ProfileShape
from rigd.files.rig_shape import RigShape
from rigd.files.specimen_shape import SpecimenShape

DIALECT = "https://json-schema.org/draft/2020-12/schema"
SHAPES = {"rig": RigShape, "profile": ProfileShape, "specimen": SpecimenShape}


def schema_of(kind: str) -> dict[str, Any]:
    """`kind` is a key of SHAPES."""
    made = SHAPES[kind].model_json_schema(by_alias=True)
    return {"$schema": DIALECT, "$id": f"urn:rigd:{kind}:1", **_without_nulls(made), "title": f"rigd {kind} file"}


def _without_nulls(node: Any) -> Any:
    """A key may be left out but never be empty, so the `null` that optional fields carry is taken away again."""
    if isinstance(node, list):
        return [_without_nulls(item) for item in node]
    if not isinstance(node, dict):
        return node
    node = {key: _without_nulls(value) for key, value in node.items() if not (key == "default" and value is None)}
    if "patternProperties" in node:
        node["additionalProperties"] = False  # a name that does not match is wrong, not merely unknown
    branches = [branch for branch in node.get("anyOf", []) if branch != {"type": "null"}]
    if "anyOf" not in node or len(branches) == len(node["anyOf"]):
        return node
    rest = {key: value for key, value in node.items() if key != "anyOf"}
    return {**branches[0], **rest} if len(branches) == 1 else {**rest, "anyOf": branches}
