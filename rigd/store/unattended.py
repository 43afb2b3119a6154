"""What a record holds of a run that might be left alone: who asked for it, which walk allowed it, and until when."""

from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered
from rigd.store.disk import read_file
from rigd.store.encode import canonical_json, parse_json

NAME = "unattended.json"
KEYS = {"expires_utc", "format", "left", "needs", "person", "walk", "walk_manifest_sha256", "walked_utc"}


def unattended_bytes(told: dict[str, Any]) -> bytes:
    assert told.keys() == KEYS
    return canonical_json(told) + b"\n"


def read_unattended(record: Path) -> dict[str, Any]:
    """{} of a run that somebody stayed with. Raises RecordAltered for what nobody wrote."""
    path = record / NAME
    if not path.is_file():
        return {}
    try:
        data = read_file(path)
        told = parse_json(data)
        if not isinstance(told, dict) or told.keys() != KEYS or unattended_bytes(told) != data:
            raise ValueError("not as it is written")
        texts = [told[name] for name in ("expires_utc", "person", "walk_manifest_sha256", "walked_utc")]
        if type(told["walk"]) is not int or not all(isinstance(text, str) and text.isprintable() for text in texts):
            raise ValueError("a field has another shape")
        return told
    except (OSError, ValueError) as wrong:
        raise RecordAltered((f"{NAME} cannot be read: {wrong}",)) from None


def say_unattended(told: dict[str, Any]) -> str:
    return (
        f"unattended            asked for by {told['person']}; allowed by walk R{told['walk']:04d} of "
        f"{told['walked_utc']} (manifest {told['walk_manifest_sha256'][:16]}) until {told['expires_utc']}"
    )
