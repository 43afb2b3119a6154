"""What pydantic found wrong becomes Faults a person can act on: which line, which key, what stands there, what may.

Pydantic's own sentences speak of Python types and stop at the first branch of a union; ours speak of the file. A value
that fails is left out, so that everything else in the file is still checked and told at once.
"""

import difflib
import types
import typing
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, TypeAdapter, ValidationError

from rigd.files.document import Document, Path, shorten

STRICT = ConfigDict(strict=True, allow_inf_nan=False)
MAX_LISTED = 14  # allowed words printed in one fault before the list is cut

_TYPE_WORDS = {
    "string_type": "text",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "float_type": "a number without unit",
    "bool_type": "true or false",
    "list_type": "a list",
    "tuple_type": "a list of two",
    "dict_type": "a block of keys",
    "model_type": "a block of keys",
    "model_attributes_type": "a block of keys",
    "finite_number": "a finite number",
}


def validate(document: Document, path: Path, shape: Any, value: Any) -> Any:
    """Return `value` as `shape`, or None with every fault noted."""
    try:
        if isinstance(shape, type) and issubclass(shape, BaseModel):
            return shape.model_validate(value)
        return TypeAdapter(shape, config=STRICT).validate_python(value)
    except ValidationError as trouble:
        for error in trouble.errors(include_url=False, include_input=False):
            if document.full:
                break
            _note(document, path, shape, error)
        return None


def suggest(word: str, allowed: typing.Iterable[str]) -> str:
    """Did you mean ...? or nothing."""
    close = difflib.get_close_matches(word, list(allowed), n=1, cutoff=0.6)
    return f"Did you mean {close[0]}?" if close else ""


def listed(words: typing.Iterable[str]) -> str:
    words = list(words)
    more = f" and {len(words) - MAX_LISTED} more" if len(words) > MAX_LISTED else ""
    return ", ".join(words[:MAX_LISTED]) + more


def keys_of(shape: Any) -> dict[str, Any]:
    """Key as written -> field."""
    return {field.alias or name: field for name, field in shape.model_fields.items()}


def _note(document: Document, path: Path, shape: Any, error: Any) -> None:
    loc, kind, context = tuple(error["loc"]), error["type"], error.get("ctx", {})
    here = _trim(document, path, loc, missing=kind == "missing")
    if kind == "missing":
        note_missing(document, here, _shape_at(shape, loc[:-1]))
    elif kind == "extra_forbidden":
        note_unknown(document, here, keys_of(_shape_at(shape, loc[:-1])))
    elif kind == "rigd":
        document.fault(here, document.found(here), context["allowed"], context["todo"])
    elif kind == "literal_error":
        allowed = _choices(shape, loc)
        document.fault(here, document.found(here), listed(allowed), suggest(document.texts.get(here, ""), allowed))
    else:
        document.fault(here, document.found(here), _allowed(kind, context, error["msg"]))


def note_missing(document: Document, path: Path, shape: Any) -> None:
    key = str(path[-1])
    if not (isinstance(shape, type) and issubclass(shape, BaseModel)):
        document.fault(path, "nothing", "a list of two values")
        return
    words = keys_of(shape)[key].description if key in keys_of(shape) else ""
    document.fault(path, "nothing", f"the key `{key}`{f': {words}' if words else ''}", f"Add `{key}:`")


def note_unknown(document: Document, path: Path, known: typing.Iterable[str]) -> None:
    key = str(path[-1])
    known = list(known)
    document.fault(path, f"the key {shorten(key)}", f"the keys {listed(known)}", suggest(key, known), at_key=True)


def _allowed(kind: str, context: dict[str, Any], message: str) -> str:
    if kind in _TYPE_WORDS:
        return _TYPE_WORDS[kind]
    if kind == "too_short":
        return f"at least {context['min_length']} of them"
    if kind == "too_long":
        return f"at most {context['max_length']} of them"
    if kind in ("greater_than_equal", "less_than_equal"):
        return f"at least {context['ge']}" if kind == "greater_than_equal" else f"at most {context['le']}"
    return message


def _choices(shape: Any, loc: tuple[Any, ...]) -> list[str]:
    literal = _unwrap(_shape_at(shape, loc))
    return [str(choice) for choice in typing.get_args(literal)]


def _trim(document: Document, path: Path, loc: tuple[Any, ...], *, missing: bool) -> Path:
    """Pydantic inserts names of union branches into `loc`; the file does not have them."""
    here = path
    for at, part in enumerate(loc):
        if (*here, part) in document.values or (missing and at == len(loc) - 1):
            here = (*here, part)
    return here


def _shape_at(shape: Any, loc: tuple[Any, ...]) -> Any:
    for part in loc:
        shape = _unwrap(shape)
        if isinstance(shape, type) and issubclass(shape, BaseModel):
            shape = keys_of(shape)[part].annotation
            continue
        arguments = typing.get_args(shape)
        if typing.get_origin(shape) is tuple:
            shape = arguments[min(int(part), len(arguments) - 1)]
        else:
            shape = arguments[-1] if arguments else shape
    return _unwrap(shape)


def _unwrap(shape: Any) -> Any:
    while True:
        if typing.get_origin(shape) is Annotated:
            shape = typing.get_args(shape)[0]
        elif typing.get_origin(shape) in (types.UnionType, typing.Union):
            shape = next(part for part in typing.get_args(shape) if part is not type(None))
        else:
            return shape
