from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from corpus import solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Part, Source, Weight

RULE = {70: all_rules()[70]}


def part(ticket_path: Path | None) -> Part:
    return Part(*solids.box((1, 1, 1)), Source(Path("tin-king.stl"), "stl", "", 0), ticket_path=ticket_path)


def test_a_part_with_a_ticket_is_clean_even_when_the_ticket_is_empty() -> None:
    assert not examine(part(Path("tin-king.ticket.toml")), RULE, Settings()).findings


def test_heavier_on_a_shared_shelf() -> None:
    alone = examine(part(None), RULE, Settings()).findings
    shared = examine(part(None), RULE, replace(Settings(), repository=True)).findings
    assert [(f.case, f.weight) for f in alone] == [("none", Weight.NOTE)]
    assert [(f.case, f.weight) for f in shared] == [("none", Weight.CAUTION)]
