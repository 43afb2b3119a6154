"""YAML text becomes plain data that remembers where each piece stood; whatever could be read two ways is refused.

YAML 1.2 core only: no anchors, aliases or tags, no duplicate keys, no octal or sexagesimal numbers, no NaN or infinity,
limited in size and depth. What the keys mean is none of this file's business. All faults are collected; only a file
that cannot be parsed at all stops at its first.
"""

import math
import re
from dataclasses import dataclass, field
from typing import Any

import yaml
import yamlcore

from rigd.model.errors import Fault

MAX_BYTES = 256 * 1024  # a long rig file is 20 kB; ten times that is a mistake or an attack
MAX_DEPTH = 20  # ours go six deep
MAX_FAULTS = 100  # more than a person will read; the rest are of the same kind
MAX_FOUND = 60  # characters of the offending text that are shown

Path = tuple[str | int, ...]
Place = tuple[int, int]  # line and column, counted from 1

_DECIMAL_INT = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\Z")
_DECIMAL_FLOAT = re.compile(r"[-+]?(?:0|[1-9][0-9]*)\.[0-9]+(?:[eE][-+]?[0-9]+)?\Z|[-+]?[1-9][0-9]*[eE][-+]?[0-9]+\Z")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9_]+(?:\.[0-9]*)?\Z")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9]+(?::[0-9]+)+(?:\.[0-9]*)?\Z")
_NOT_A_NUMBER = re.compile(r"[-+]?\.?(?:nan|inf|infinity)\Z", re.IGNORECASE)
_OTHER_BASE = re.compile(r"[-+]?0[oxbOXB]")
_LONGEST_INT = 19  # digits of a 64-bit integer


@dataclass(kw_only=True)
class Document:
    """One file, read. `data` is dict, list, str, int, float, bool or None, all the way down."""

    path: str
    data: Any = None
    values: dict[Path, Place] = field(default_factory=dict)
    keys: dict[Path, Place] = field(default_factory=dict)
    texts: dict[Path, str] = field(default_factory=dict)  # scalars as the author wrote them
    faults: list[Fault] = field(default_factory=list)
    told: set[Path] = field(default_factory=set)  # paths that have a fault

    def fault(self, path: Path, found: str, allowed: str, todo: str = "", *, at_key: bool = False) -> None:
        """Note a fault at a value, at a key, or at the nearest parent that exists in the file.

        One scalar has one fault: the first says what is wrong, and others only follow from it.
        """
        known = path in self.texts and path in self.told
        self.told.add(path)
        if known or self.full:
            return
        line, column = self.place(path, at_key=at_key)
        fault = Fault(
            path=self.path, line=line, column=column, key=say_path(path), found=found, allowed=allowed, todo=todo
        )
        if fault not in self.faults:  # what is wrong at every station is told once
            self.faults.append(fault)

    @property
    def full(self) -> bool:
        """More faults than anybody reads: there is no use in looking for others."""
        return len(self.faults) >= MAX_FAULTS

    def place(self, path: Path, *, at_key: bool = False) -> Place:
        if at_key and path in self.keys:
            return self.keys[path]
        if path in self.values:
            return self.values[path]
        while path:
            path = path[:-1]
            if path in self.keys:
                return self.keys[path]
            if path in self.values:
                return self.values[path]
        return (1, 1)

    def found(self, path: Path) -> str:
        """What stands there, for a person to recognise."""
        if path in self.texts:
            return shorten(self.texts[path])
        if path not in self.values:
            return "nothing"
        here: Any = self.data
        for part in path:
            here = here[part]
        return "a list" if isinstance(here, list) else "a block of keys"


def say_path(path: Path) -> str:
    """steps[3].ramp.rate"""
    said = ""
    for part in path:
        if isinstance(part, int):
            said += f"[{part}]"
        else:
            said += f".{part}" if said else part
    return said


def shorten(text: str) -> str:
    text = text.encode("unicode_escape").decode("ascii") if not text.isprintable() else text
    text = text if len(text) <= MAX_FOUND else text[: MAX_FOUND - 3] + "..."
    return repr(text)


def read(raw: bytes, path: str) -> Document:
    """Read exact bytes. Never raises: look at `faults`."""
    document = Document(path=path)
    text = _decode(raw, document)
    if document.faults:
        return document
    try:
        _check_events(text, document)
        if not document.faults:
            root = _compose(text)
            document.data = _plain(root, (), document)
    except yaml.YAMLError as trouble:
        _note_yaml_error(trouble, document)
    if not document.faults and not isinstance(document.data, dict):
        document.fault((), document.found(()), "a block of keys, each with a value")
    return document


def _decode(raw: bytes, document: Document) -> str:
    if len(raw) > MAX_BYTES:
        document.fault((), f"a file of {len(raw)} bytes", f"at most {MAX_BYTES} bytes", "Is this the right file?")
        return ""
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as trouble:
        line = raw.count(b"\n", 0, trouble.start) + 1
        document.values[()] = (line, trouble.start - (raw.rfind(b"\n", 0, trouble.start) + 1) + 1)
        document.fault((), f"byte 0x{raw[trouble.start]:02x}", "UTF-8 text", "Is this the right file?")
        return ""
    if not text.strip():
        document.fault((), "an empty file", "a rig, profile or specimen file")
    return text


def _check_events(text: str, document: Document) -> None:
    """Walk the event stream, which does not recurse, before anything builds a tree from it."""
    loader = yamlcore.CCoreLoader(text)
    depth = documents = 0
    try:
        while True:
            event = loader.get_event()
            if event is None or isinstance(event, yaml.StreamEndEvent):
                return
            document.values[()] = place = (event.start_mark.line + 1, event.start_mark.column + 1)
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    document.fault((), "a second document", "one document a file", "Take out the line `---`")
                    return
            _check_event(event, document)
            if isinstance(event, yaml.CollectionStartEvent):
                depth += 1
                if depth > MAX_DEPTH:
                    document.fault((), f"nesting deeper than {MAX_DEPTH}", f"at most {MAX_DEPTH} levels")
                    return
            elif isinstance(event, yaml.CollectionEndEvent):
                depth -= 1
            assert place
    finally:
        loader.dispose()


def _check_event(event: Any, document: Document) -> None:
    if isinstance(event, yaml.AliasEvent):
        document.fault((), f"the alias *{event.anchor}", "no aliases", "Write the value out")
    elif getattr(event, "anchor", None):
        document.fault((), f"the anchor &{event.anchor}", "no anchors", "Write the value out where it is needed")
    if getattr(event, "tag", None):
        document.fault((), f"the tag {shorten(event.tag)}", "no tags", "Take it out")


def _compose(text: str) -> Any:
    loader = yamlcore.CCoreLoader(text)
    try:
        return loader.get_single_node()
    finally:
        loader.dispose()


def _note_yaml_error(trouble: yaml.YAMLError, document: Document) -> None:
    mark = getattr(trouble, "problem_mark", None) or getattr(trouble, "context_mark", None)
    document.values[()] = (mark.line + 1, mark.column + 1) if mark else (1, 1)
    problem = getattr(trouble, "problem", None) or getattr(trouble, "reason", None) or "text that is not YAML"
    if "nesting" in problem:  # libyaml stops by itself before it hands out the first event
        document.fault((), f"nesting deeper than {MAX_DEPTH}", f"at most {MAX_DEPTH} levels")
        return
    document.fault((), f"text YAML cannot read ({problem})", "YAML 1.2", "Look at indentation, quotes and colons")


def _plain(node: Any, path: Path, document: Document) -> Any:
    if node is None:
        document.fault((), "a file without any key", "a rig, profile or specimen file")
        return None
    document.values[path] = (node.start_mark.line + 1, node.start_mark.column + 1)
    if isinstance(node, yaml.MappingNode):
        return _plain_mapping(node, path, document)
    if isinstance(node, yaml.SequenceNode):
        return [_plain(item, (*path, index), document) for index, item in enumerate(node.value)]
    document.texts[path] = node.value
    return _plain_scalar(node, path, document)


def _plain_mapping(node: Any, path: Path, document: Document) -> dict[str, Any]:
    plain: dict[str, Any] = {}
    for key_node, value_node in node.value:
        place = (key_node.start_mark.line + 1, key_node.start_mark.column + 1)
        if not isinstance(key_node, yaml.ScalarNode):
            document.values.setdefault((*path, "?"), place)
            document.fault((*path, "?"), "a key that is itself a block or list", "keys that are words")
            continue
        key = key_node.value
        below = (*path, key)
        if key in plain:
            first = document.keys[below][0]
            document.values[below] = place  # points this one fault at the second of the two
            document.fault(below, f"the key {shorten(key)} again", f"each key once (first on line {first})")
            continue
        document.keys[below] = place
        plain[key] = _plain(value_node, below, document)
    return plain


def _plain_scalar(node: Any, path: Path, document: Document) -> Any:
    """Quoted text is text. Unquoted text is a number, true, false, nothing or text, or it is refused as ambiguous."""
    text = node.value
    if node.style in ("'", '"', "|", ">"):
        return text
    if text in ("", "~", "null", "Null", "NULL"):
        document.fault(path, "nothing", "a value", "Give it a value or take the key out")
        return None
    if text in ("true", "false"):
        return text == "true"
    if _NOT_A_NUMBER.match(text):
        document.fault(path, shorten(text), "a finite number")
    elif _OTHER_BASE.match(text) or _LEADING_ZERO.match(text):
        todo = "A leading 0 could mean octal: write a decimal number, or put a name in quotes"
        document.fault(path, shorten(text), "a decimal number", todo)
    elif _SEXAGESIMAL.match(text):
        todo = "Write a time with its unit (90 s), or put text in quotes"
        document.fault(path, shorten(text), "no numbers with colons", todo)
    elif _DECIMAL_INT.match(text):
        if len(text) <= _LONGEST_INT:
            return int(text)
        document.fault(path, shorten(text), f"an integer of at most {_LONGEST_INT} digits")
    elif _DECIMAL_FLOAT.match(text):
        value = float(text)
        if math.isfinite(value):
            return value
        document.fault(path, shorten(text), "a finite number")
    else:
        return text
    return None
