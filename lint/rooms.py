"""Finds the rules and the fixes by looking in their folders, puts them in order, and refuses nonsense at start."""

from __future__ import annotations

import importlib
import pkgutil
import re
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
    "calm", "thin out", "seat", "plug", "thicken", "hollow", "drain", "key", "mark", "split", "settle",
)  # fmt: skip


@cache
def all_rules() -> dict[int, Rule]:
    """Every rule by number, in order. Raises ValueError when a room is badly built (file name, page, parameters)."""
    found: dict[int, Rule] = {}
    for module_info in sorted(pkgutil.iter_modules(rules_folder.__path__), key=lambda m: m.name):
        match = re.fullmatch(r"rule_(\d{3})_(\w+)", module_info.name)
        if match is None:
            continue
        module = importlib.import_module(f"rules.{module_info.name}")
        rule: Rule = module.rule
        if rule.number != int(match[1]) or rule.name.replace(" ", "_").replace("-", "_") != match[2]:
            raise ValueError(f"rules/{module_info.name}.py holds rule {rule.number} {rule.name!r}: name the file after its rule")
        if rule.function is None and rule.retired is None:
            raise ValueError(f"rules/{module_info.name}.py has no @rule.find")
        if rule.function is not None:
            for name in measure.wants(rule.function):
                if name not in RESERVED and name not in measure.known():
                    raise ValueError(f"rule {rule.number} asks for {name!r}, which nobody measures")
        rule.page = (module.__doc__ or "").strip()
        found[rule.number] = rule
    return found


@cache
def all_fixes() -> dict[str, Fix]:
    """Every fix by name, in the order of the work. A module of lint/shape with a `fix` is one."""
    found: dict[str, Fix] = {}
    for module_info in pkgutil.iter_modules(lint.shape.__path__):
        fix = getattr(importlib.import_module(f"lint.shape.{module_info.name}"), "fix", None)
        if not isinstance(fix, Fix):
            continue
        if fix.name not in ORDER or fix.function is None:
            raise ValueError(f"lint/shape/{module_info.name}.py: fix {fix.name!r} has no place in the order of the work")
        found[fix.name] = fix
    return {name: found[name] for name in ORDER if name in found}
