"""The rules and the fixes as they are listed: names, pages, how far a fix reaches, and nothing that judges or mends.

To know all this from the rooms themselves every one has to be loaded, with all that it measures by. So a run of the program writes it
into the store, under the digest of the program, for the runs that only tell what is known.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

import msgspec

from lint.commands.keys import program
from lint.commands.packing import packed, unpacked
from lint.measure import wants
from lint.rooms import all_fixes, all_rules
from lint.store import Store
from lint.terms import Fix, Rule, Touch, Weight


@dataclass(frozen=True)
class Listing:
    """rules, fixes: by number and by name, in order, to be spoken of and not to be run; comparing: the rules whose verdict on a part
    depends on other parts; picking: those of them that ask something of the whole shelf."""

    rules: Mapping[int, Rule]
    fixes: Mapping[str, Fix]
    comparing: frozenset[int]
    picking: tuple[int, ...]


class _Kept(msgspec.Struct, array_like=True):
    rules: list[tuple[int, str, Weight, str, str, str | None, str | None]]
    fixes: list[tuple[str, Touch, str, bool, bool, tuple[str, ...]]]
    comparing: frozenset[int]
    picking: tuple[int, ...]


def listing_of(store: Store | None) -> Listing:
    """The rules and fixes as they are listed, without loading them where the store knows."""
    return listing(store, program() if store is not None else "")


def listing(store: Store | None, program: str) -> Listing:
    """The rules and fixes of this program. program: its digest (see lint/commands/known.py)."""
    if store is None:
        return _anew()
    key = hashlib.sha256(f"listing {program}".encode()).hexdigest()
    data = store.get(key)
    said: _Kept | None = unpacked(data, _Kept) if data is not None else None
    if said is None:
        new = _anew()
        rules = [(r.number, r.name, r.weight, r.unit, r.page, r.fix, r.retired) for r in new.rules.values()]
        fixes = [(f.name, f.touch, f.does, f.on_demand, f.for_stop, f.follows) for f in new.fixes.values()]
        store.put(key, packed(_Kept(rules, fixes, new.comparing, new.picking)))
        return new
    return Listing(
        {number: Rule(number, name, weight, unit, {}, fix=fix, retired=left, page=page)
         for number, name, weight, unit, page, fix, left in said.rules},
        {name: Fix(name, touch, does, demand, stop, follows) for name, touch, does, demand, stop, follows in said.fixes},
        said.comparing,
        said.picking,
    )


def _anew() -> Listing:
    rules = all_rules()
    found = comparing(rules)
    return Listing(rules, all_fixes(), found, tuple(number for number in sorted(found) if rules[number].picks))


def comparing(rules: Mapping[int, Rule]) -> frozenset[int]:
    """The rules whose verdict on a part depends on other parts: those that look at the shelf, and those that wait for them."""
    found = {number for number, rule in rules.items() if rule.function is not None and "shelf" in wants(rule.function)}
    while more := {number for number, rule in rules.items() if number not in found and found & set(rule.after)}:
        found |= more
    return frozenset(found)
