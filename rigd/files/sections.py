"""Reads a file block by block, so that one bad block does not hide what is wrong in the others.

The result holds every block that is sound, as its shape; a block that is not has left its faults in the document and is
missing here. What the blocks mean together is for others.
"""

from collections.abc import Callable
from typing import Any, get_args, get_origin

from pydantic import BaseModel

from rigd.files.document import Document, Path
from rigd.files.faults import keys_of, note_missing, note_unknown, validate

Pick = Callable[[Document, Path, Any], Any]
"""Chooses the shape of one entry from what stands there; None when it has noted a fault itself."""


def read_sections(document: Document, shape: type[BaseModel], picks: dict[str, Pick]) -> dict[str, Any]:
    """Block name -> shape, or dict / list of (name or index -> shape) with the bad entries left out."""
    sound: dict[str, Any] = {}
    if not isinstance(document.data, dict):
        return sound
    known = keys_of(shape)
    for key in document.data:
        if key not in known and not document.full:
            note_unknown(document, (key,), known)
    for key, field in known.items():
        if key not in document.data:
            if field.is_required():
                note_missing(document, (key,), shape)
            continue
        if document.data[key] is None:
            continue  # noted where it was read
        block = _read_block(document, key, field, picks.get(key))
        if block is not None:
            sound[key] = block
    return sound


def _read_block(document: Document, key: str, field: Any, pick: Pick | None) -> Any:
    value = document.data[key]
    kind = get_origin(field.annotation)
    if kind not in (dict, list) or not isinstance(value, kind) or (kind is list and pick is None):
        annotated = field.rebuild_annotation() if field.metadata else field.annotation
        return validate(document, (key,), annotated, value)
    if not _has_sound_size(document, (key,), value, field):
        return None
    entries = value.items() if kind is dict else enumerate(value)
    name_type, entry_type = get_args(field.annotation) if kind is dict else (None, None)
    sound: dict[Any, Any] = {}
    for name, entry in entries:
        path = (key, name)
        if name_type is not None:
            _check_name(document, path, name_type)
        chosen = pick(document, path, entry) if pick else entry_type
        if chosen is not None and entry is not None:
            read = validate(document, path, chosen, entry)
            if read is not None:
                sound[name] = read
    return sound


def _check_name(document: Document, path: Path, name_type: Any) -> None:
    """A name is a key, so a fault in it points at the key."""
    here = Document(path=document.path, data=path[-1], values={(): document.keys[path]}, texts={(): str(path[-1])})
    validate(here, (), name_type, path[-1])
    for fault in here.faults:
        document.fault(path, fault.found, fault.allowed, fault.todo, at_key=True)


def _has_sound_size(document: Document, path: Path, value: Any, field: Any) -> bool:
    """Refuse a block of too many entries before its entries are looked at one by one."""
    for limit in field.metadata:
        low, high = getattr(limit, "min_length", None), getattr(limit, "max_length", None)
        if low is not None and len(value) < low:
            document.fault(path, f"{len(value)} entries", f"at least {low}")
        if high is not None and len(value) > high:
            document.fault(path, f"{len(value)} entries", f"at most {high}", at_key=True)
            return False
    return True
