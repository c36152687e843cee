"""The rules and fixes as they are listed from the store: the same words as in the rooms, and none of them loaded."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from lint.commands.listing import listing
from lint.rooms import all_fixes, all_rules, fixes_at_hand, rooms
from lint.store import Store


def test_what_the_store_lists_is_what_the_rooms_say(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    first, second = listing(store, "this program"), listing(store, "this program")
    assert first.rules is not second.rules
    for listed in (first, second, listing(None, "")):
        assert [(r.number, r.name, r.weight, r.page, r.fix, r.retired) for r in listed.rules.values()] == [
            (r.number, r.name, r.weight, r.page, r.fix, r.retired) for r in all_rules().values()
        ]
        said = [(f.name, f.touch, f.does, f.on_demand, f.for_stop, f.follows) for f in listed.fixes.values()]
        assert said == [(f.name, f.touch, f.does, f.on_demand, f.for_stop, f.follows) for f in all_fixes().values()]
        assert (listed.comparing, listed.picking) == (first.comparing, first.picking)


def test_another_program_or_a_torn_entry_is_listed_anew(tmp_path: Path) -> None:
    store = Store(tmp_path / "store")
    listing(store, "this program")
    for entry in (tmp_path / "store").rglob("*"):
        if entry.is_file():
            entry.write_bytes(entry.read_bytes()[:-1])
    assert listing(store, "this program").rules[1].function is not None
    assert listing(store, "this program").rules[1].function is None
    assert listing(store, "that program").rules[1].function is not None


def test_rooms_and_fixes_at_hand_are_all_of_them_in_order() -> None:
    assert list(rooms().items()) == list(all_rules().items())
    assert list(fixes_at_hand().items()) == list(all_fixes().items())
    assert 9999 not in rooms()
    assert fixes_at_hand().get("") is None


def test_one_rule_is_loaded_without_the_others() -> None:
    words = "import sys; from lint.rooms import rooms; rooms()[14]; print(sum(name.startswith('rules.rule_') for name in sys.modules))"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True, cwd=Path(__file__).parents[1])
    assert done.stdout.strip() == "1"
