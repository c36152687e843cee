"""TOML in and out. Reading is the standard library's; writing is ours, because a ticket is a form to fill in and its comments
are the point of it, which the small writers (tomli-w) cannot put down.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping
from typing import Any

from lint.terms import BadInput

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_HEAD = re.compile(r"\s*(\[\[?)\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?")
_KEY = re.compile(r"""\s*((?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')(?:\s*\.\s*(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*'))*)\s*=""")


def tables(text: str, name: str) -> dict[str, Any]:
    """The tables of a TOML text. Raises BadInput with the line when it is not TOML."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        found = re.search(r"^(.*) \(at (?:line (\d+), column (\d+)|end of document)\)$", str(error), re.DOTALL)
        why = found[1] if found else str(error)
        line = int(found[2]) if found and found[2] else text.count("\n") + 1
        clean = "".join(c if c.isprintable() else " " for c in why[:120])
        raise BadInput(f"{name}: line {line}: it is not TOML: {clean[:1].lower()}{clean[1:]}; text goes in double quotes") from None
    except (RecursionError, ValueError, OverflowError):
        raise BadInput(f"{name}: it is not TOML that can be read: nested too deep, or a number too long") from None


class Lines:
    """Finds the line of a table or key in a TOML text, near enough for a message. Keys written inline give their table's line."""

    def __init__(self, text: str) -> None:
        self._lines: dict[tuple[str | int, ...], int] = {}
        counts: dict[tuple[str, ...], int] = {}
        table: tuple[str | int, ...] = ()
        for number, line in enumerate(text.split("\n"), 1):
            if head := _HEAD.fullmatch(line):
                names = _names(head[2])
                if head[1] == "[[":
                    counts[names] = counts.get(names, -1) + 1
                table = _numbered(names, counts)
                self._lines.setdefault(table, number)
            elif entry := _KEY.match(line):
                self._lines.setdefault(table + _names(entry[1]), number)

    def find(self, where: tuple[str | int, ...]) -> int | None:
        """The line of the key, or of the nearest table around it."""
        for size in range(len(where), 0, -1):
            if where[:size] in self._lines:
                return self._lines[where[:size]]
        return None


def _names(dotted: str) -> tuple[str, ...]:
    return tuple(p.strip().strip("\"'") for p in dotted.split("."))


def _numbered(names: tuple[str, ...], counts: dict[tuple[str, ...], int]) -> tuple[str | int, ...]:
    way: list[str | int] = []
    for k, name in enumerate(names):
        way.append(name)
        if names[: k + 1] in counts:
            way.append(counts[names[: k + 1]])
    return tuple(way)


def to_toml(value: Mapping[str, Any], comments: Mapping[str, str], order: tuple[str, ...] = ()) -> str:
    """Tables as TOML text. comments: by dotted place, "" for the top; `order`: tables that comments may name though absent."""
    lines = _comment(comments.get("", ""))
    names = [*order, *(n for n in value if n not in order)]
    for name in names:
        entry = value.get(name)
        if entry is not None and not isinstance(entry, dict | list):
            lines += [*_comment(comments.get(name, "")), f"{_key(name)} = {_value(entry)}"]
    for name in names:
        entry = value.get(name)
        said = [c for c in comments if c == name or c.startswith(f"{name}.")]
        if isinstance(entry, list):
            if said and not entry:
                lines += ["", *_comment("\n".join(comments[c] for c in said))]
            for item in entry:
                lines += ["", *_comment(comments.get(name, "")), f"[[{name}]]", *_keys(item)]
        elif said or (isinstance(entry, dict) and entry):
            lines += _table(name, entry if isinstance(entry, dict) else {}, comments)
    return "\n".join(lines).lstrip("\n") + "\n"


def _table(name: str, entry: dict[str, Any], comments: Mapping[str, str]) -> list[str]:
    lines: list[str] = []
    plain = {k: v for k, v in entry.items() if not _is_table(v)}
    hints = [c for c in comments if c.startswith(f"{name}.") and c.removeprefix(f"{name}.") not in plain]
    if plain or hints or not entry:
        lines = ["", *_comment(comments.get(name, "")), f"[{name}]"]
    for key, value in plain.items():
        lines += _comment(comments.get(f"{name}.{key}", "")) + _keys({key: value})
    for hint in hints:
        lines += _comment(comments[hint])
    for key, value in entry.items():
        if isinstance(value, dict):
            lines += ["", f"[{name}.{_key(key)}]", *_keys(value)]
        elif _is_table(value):
            for item in value:
                lines += ["", f"[[{name}.{_key(key)}]]", *_keys(item)]
    return lines


def _is_table(value: Any) -> bool:
    return isinstance(value, dict) or (isinstance(value, list) and bool(value) and isinstance(value[0], dict))


def _keys(entry: Mapping[str, Any]) -> list[str]:
    return [f"{_key(k)} = {_value(v)}" for k, v in entry.items() if v is not None]


def _comment(text: str) -> list[str]:
    clean = ("".join(c if c.isprintable() else " " for c in line) for line in text.split("\n")) if text else ()
    return [f"# {line}".rstrip() for line in clean]


def _key(name: str) -> str:
    return name if _BARE.fullmatch(name) else _value(name)


def _value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, int | float):
        return repr(value)
    raise TypeError(f"no TOML for {type(value).__name__}")
