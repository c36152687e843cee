"""Says in words what is wrong with a table read from TOML, by walking the types it should have.

msgspec checks the same things, but names them in Python's words and without the line; this walk comes first, and msgspec after it
builds the values.
"""

from __future__ import annotations

import datetime
import difflib
import math
from typing import Any

import msgspec.inspect as types

Where = tuple[str | int, ...]


class Wrong(Exception):
    """The first thing wrong: `where` is the way to it (table, number in a list from 0, key), the text says what is wanted."""

    def __init__(self, where: Where, text: str) -> None:
        super().__init__(text)
        self.where = where

    @property
    def place(self) -> str:
        """The way as it is written in the file: `[print] nozzle`, `[[length]] 2 true`."""
        if len(self.where) < 2:
            return str(self.where[0]) if self.where else "at the top"
        names: list[str] = []
        tail: list[str] = []
        many = ""
        for k, step in enumerate(self.where):
            following = self.where[k + 1] if k + 1 < len(self.where) else None
            if isinstance(step, int):
                many = f" {step + 1}"
            elif tail or (k > 0 and following is None) or (k > 0 and isinstance(self.where[k - 1], int)):
                tail.append(step)
            else:
                names.append(step)
        brackets = ("[[", "]]") if many else ("[", "]")
        return f"{brackets[0]}{'.'.join(names)}{brackets[1]}{many}{''.join(' ' + t for t in tail)}"


def check(value: Any, kind: type) -> None:
    """Raise Wrong for the first unknown key, wrong type or value out of range."""
    _check(value, types.type_info(kind), ())


def _check(value: Any, kind: types.Type, where: Where) -> None:
    if isinstance(kind, types.StructType):
        _check_table(value, kind, where)
    elif isinstance(kind, types.UnionType):
        _check_union(value, kind, where)
    elif isinstance(kind, types.LiteralType):
        if not isinstance(value, str) or value not in kind.values:
            known = ", ".join(f'"{v}"' for v in kind.values)
            raise Wrong(where, f"{_said(value)} is not one of: {known}{_meant(value, [str(v) for v in kind.values])}")
    elif isinstance(kind, types.FloatType | types.IntType):
        _check_number(value, kind, where)
    elif isinstance(kind, types.StrType):
        if not isinstance(value, str | datetime.date) or (isinstance(value, datetime.date) and where[-1:] != ("until",)):
            raise Wrong(where, f"{_said(value)}: write text in double quotes")
    elif isinstance(kind, types.BoolType):
        if not isinstance(value, bool):
            raise Wrong(where, f"{_said(value)}: write true or false")
    elif isinstance(kind, types.TupleType):
        if not isinstance(value, list) or len(value) != len(kind.item_types):
            raise Wrong(where, f"{_said(value)}: write {len(kind.item_types)} numbers in brackets, such as [0, 0, 1]")
        for item, inner in zip(value, kind.item_types, strict=True):
            _check(item, inner, where)
    elif isinstance(kind, types.ListType):
        if not isinstance(value, list):
            of_tables = isinstance(kind.item_type, types.StructType)
            raise Wrong(where, f"write [[{where[-1]}]], with two brackets" if of_tables else f"{_said(value)}: write a list in brackets")
        for k, item in enumerate(value):
            _check(item, kind.item_type, (*where, k) if isinstance(kind.item_type, types.StructType) else where)
    elif isinstance(kind, types.DictType):
        if not isinstance(value, dict):
            raise Wrong(where, f"{_said(value)}: write a table")
        for name, item in value.items():
            _check(item, kind.value_type, (*where, name))
    else:
        raise TypeError(f"no check for {kind}")


def _check_table(value: Any, kind: types.StructType, where: Where) -> None:
    if not isinstance(value, dict):
        raise Wrong(where, f"{_said(value)}: write it as a table, [{'.'.join(str(w) for w in where if isinstance(w, str))}]")
    fields = {f.encode_name: f for f in kind.fields}
    for name in value:
        if name not in fields:
            hint = _meant(name, list(fields)) or "."
            raise Wrong((*where, name), f"there is no such {'key' if where else 'table'}{hint} It takes: {', '.join(fields)}")
    for name, field in fields.items():
        if name in value:
            _check(value[name], field.type, (*where, name))
        elif field.required:
            raise Wrong(where, f"{name} is missing; write {name} = {_example(field.type)}")


def _check_union(value: Any, kind: types.UnionType, where: Where) -> None:
    wanted = [t for t in kind.types if not isinstance(t, types.NoneType)]
    if len(wanted) == 1:
        _check(value, wanted[0], where)
        return
    for one in wanted:
        try:
            _check(value, one, where)
        except Wrong:
            continue
        return
    raise Wrong(where, f"{_said(value)}: write a number, text in double quotes, or true or false")


def _check_number(value: Any, kind: types.FloatType | types.IntType, where: Where) -> None:
    whole = isinstance(kind, types.IntType)
    if isinstance(value, bool) or not isinstance(value, int if whole else int | float):
        hint = ", without quotes" if isinstance(value, str) else ""
        raise Wrong(where, f"{_said(value)}: write a {'whole number' if whole else 'number'}{hint}")
    if not -1e300 < value < 1e300 or not math.isfinite(value):
        raise Wrong(where, f"{_said(value)}: write a finite number")
    if kind.gt is not None and not value > kind.gt:
        raise Wrong(where, f"{_said(value)}: write a number above {kind.gt:g}")
    if kind.ge is not None and not value >= kind.ge:
        raise Wrong(where, f"{_said(value)}: write a number, {kind.ge:g} or more")
    if kind.lt is not None and not value < kind.lt:
        raise Wrong(where, f"{_said(value)}: write a number under {kind.lt:g}")
    if kind.le is not None and not value <= kind.le:
        raise Wrong(where, f"{_said(value)}: write a number, {kind.le:g} or less")


def _said(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return "a table"
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    clean = "".join(c if c.isprintable() else " " for c in text)
    return clean if len(clean) <= 40 else clean[:37] + "..."


def _meant(value: Any, known: list[str]) -> str:
    close = difflib.get_close_matches(value, known, 1) if isinstance(value, str) and len(value) < 100 else []
    return f"; did you mean {close[0]}?" if close else ""


def _example(kind: types.Type) -> str:
    if isinstance(kind, types.TupleType):
        return "[" + ", ".join("0.0" for _ in kind.item_types) + "]"
    if isinstance(kind, types.IntType):
        return "a whole number"
    return "a number" if isinstance(kind, types.FloatType) else '"..."'
