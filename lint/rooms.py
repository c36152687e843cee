"""Finds the rules and the fixes by looking in their folders, puts them in order, and refuses nonsense at start."""

from __future__ import annotations

import importlib
import pkgutil
import re
import sys
from collections.abc import Iterator, Mapping
from functools import cache

import lint.shape
import rules as rules_folder
from lint import measure
from lint.terms import Fix, Rule

# What a rule may ask for besides measurements: the part, the run's facts, its own limits, the other parts of the shelf.
RESERVED = frozenset({"part", "settings", "limits", "shelf"})

# The order of the work: sound first, then size, then cut and close, then stand, then lighten, then finish.
ORDER: tuple[str, ...] = (
    "strip", "weld", "tidy", "turn", "drop", "resize", "mirror", "lay", "crop", "untangle", "close", "unite", "rewrap",
    "calm", "thin out", "seat", "plug", "thicken", "fill in", "hollow", "drain", "key", "mark", "split", "settle",
)  # fmt: skip


class Rooms(Mapping[int, Rule]):
    """The rules by number, in order, each loaded when it is first asked for: most commands speak of few of them.

    Raises ValueError when a room is badly built.
    """

    def __init__(self) -> None:
        found = (re.fullmatch(r"rule_(\d{3})_(\w+)", module.name) for module in pkgutil.iter_modules(rules_folder.__path__))
        self._names = {int(match[1]): (match[0], match[2]) for match in sorted(filter(None, found), key=lambda match: match[0])}

    def __getitem__(self, number: int) -> Rule:
        file, name = self._names[number]
        rule: Rule = importlib.import_module(f"rules.{file}").rule
        if rule.number != number or rule.name.replace(" ", "_").replace("-", "_") != name:
            raise ValueError(f"rules/{file}.py holds rule {rule.number} {rule.name!r}: name the file after its rule")
        if rule.function is None and rule.retired is None:
            raise ValueError(f"rules/{file}.py has no @rule.find")
        rule.page = (sys.modules[f"rules.{file}"].__doc__ or "").strip()
        return rule

    def __iter__(self) -> Iterator[int]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, number: object) -> bool:
        return number in self._names


@cache
def rooms() -> Rooms:
    """The rules by number, each loaded when it is first asked for."""
    return Rooms()


@cache
def all_rules() -> dict[int, Rule]:
    """Every rule by number, in order. Raises ValueError when a room is badly built (file name, page, parameters)."""
    found = dict(rooms())
    for number, rule in found.items():
        for name in measure.wants(rule.function) if rule.function is not None else ():
            if name not in RESERVED and name not in measure.known():
                raise ValueError(f"rule {number} asks for {name!r}, which nobody measures")
    return found


class Bench(Mapping[str, Fix]):
    """The fixes by name, in the order of the work, each loaded when it is first asked for. Raises ValueError as `all_fixes` does."""

    def __init__(self) -> None:
        modules = {module.name for module in pkgutil.iter_modules(lint.shape.__path__)}
        self._names = tuple(name for name in ORDER if _file(name) in modules)

    def __getitem__(self, name: str) -> Fix:
        if name not in self._names:
            raise KeyError(name)
        fix = getattr(importlib.import_module(f"lint.shape.{_file(name)}"), "fix", None)
        if not isinstance(fix, Fix) or fix.name != name or fix.function is None:
            raise ValueError(f"lint/shape/{_file(name)}.py: the fix {name!r} is named in the order of the work and is not there")
        return fix

    def __iter__(self) -> Iterator[str]:
        return iter(self._names)

    def __len__(self) -> int:
        return len(self._names)

    def __contains__(self, name: object) -> bool:
        return name in self._names


def _file(name: str) -> str:
    return name.replace(" ", "_")


@cache
def fixes_at_hand() -> Bench:
    """The fixes by name, each loaded when it is first asked for."""
    return Bench()


@cache
def all_fixes() -> dict[str, Fix]:
    """Every fix by name, in the order of the work. A module of lint/shape with a `fix` is one, and is called as its fix is."""
    for module_info in pkgutil.iter_modules(lint.shape.__path__):
        fix = getattr(importlib.import_module(f"lint.shape.{module_info.name}"), "fix", None)
        if isinstance(fix, Fix) and (fix.name not in ORDER or _file(fix.name) != module_info.name):
            raise ValueError(f"lint/shape/{module_info.name}.py: fix {fix.name!r} has no place in the order of the work")
    return dict(fixes_at_hand())
