"""Edition 1 is frozen: its rules, their names, units and weights, and every limit in numbers.

A shop that has checked its shelf against edition 1 must get the same answers next year. A change here is a new edition: give the new
rule `since` = the new edition, keep what edition 1 says, and add a table beside this one. Only a plain fault in a rule's code may be
mended under the old edition; its limits may not.
"""

from __future__ import annotations

import pytest

from lint.rooms import all_rules
from lint.settings import DEFAULTS, EDITION, Settings
from lint.terms import Rule, Weight

Row = tuple[str, str, str, dict[str, tuple[float, str]]]

# number: (name, weight, unit, {limit: (number at the default settings, unit)})
EDITION_1: dict[int, Row] = {
    1: ("nothing to print", "stop", "faces", {}),
    2: ("split points", "caution", "mm", {"gap": (0.05, "mm"), "share": (0.0001, "of the diagonal")}),
    3: ("worthless faces", "note", "faces", {"height": (0.0002, "mm"), "share": (2e-06, "of the diagonal")}),
    4: ("open edge", "stop", "mm", {}),
    5: ("crowded edge", "stop", "mm", {}),
    6: ("pinched point", "caution", "points", {}),
    7: ("mixed winding", "stop", "mm2", {}),
    8: ("inside out", "stop", "mm3", {}),
    9: ("skin through skin", "stop", "mm", {}),
    10: ("overlapping shells", "stop", "mm3", {}),
    11: ("stray pieces", "caution", "mm", {
        "open": (0.25, "of the part's length"),
        "closed": (0.05, "of the part's length"),
        "skin": (0.005, "of the part's skin"),
        "flat": (0.02, "of its own length"),
        "crumb": (0.03, "of the part's length"),
        "void": (0.064, "mm3"),
        "crack": (0.0001, "of the part's diagonal"),
    }),
    12: ("rough skin", "caution", "mm", {"noise": (0.1, "mm")}),
    13: ("coarse skin", "note", "mm", {"sag": (0.1, "mm")}),
    14: ("heavy skin", "note", "mm", {"edge": (0.2, "mm"), "faces": (50000.0, "faces")}),
    20: ("no true length", "caution", "lengths", {"marks": (1.0, "lengths")}),
    21: ("wrong size", "stop", "%", {"share": (1.0, "%"), "mark": (0.5, "mm")}),
    22: ("lengths disagree", "caution", "%", {"share": (1.0, "%"), "mark": (0.5, "mm")}),
    23: ("not life-size", "caution", "mm", {"widen": (0.1, "share"), "far": (2.0, "times")}),
    24: ("too big for the bed", "stop", "mm", {}),
    30: ("thin wall", "stop", "mm", {"stop": (0.4, "mm"), "caution": (0.8, "mm"), "patch": (1.3, "mm2")}),
    31: ("narrow gap", "caution", "mm", {"width": (0.5, "mm"), "patch": (4.0, "mm2")}),
    32: ("steep overhang", "caution", "mm2", {
        "angle": (45.0, "degrees"),
        "ledge": (1.0, "mm"),
        "patch": (10.0, "mm2"),
        "bridge": (5.0, "mm"),
        "longest bridge": (25.0, "mm"),
    }),
    33: ("starts in mid-air", "caution", "mm", {"drop": (0.5, "mm")}),
    34: ("no flat base", "stop", "mm2", {"share": (5.0, "%"), "flat": (0.1, "mm")}),
    35: ("off the bed", "note", "mm", {"off": (0.01, "mm")}),
    36: ("tips over", "stop", "degrees", {"stop": (10.0, "degrees"), "caution": (15.0, "degrees")}),
    37: ("trapped hollow", "stop", "mm3", {"bubble": (10.0, "mm3")}),
    38: ("suction cup", "caution", "mm2", {"opening": (100.0, "mm2"), "depth": (5.0, "mm")}),
    39: ("solid and heavy", "note", "cm3", {"saving": (20.0, "cm3"), "share": (30.0, "%"), "least": (60.0, "%")}),
    50: ("weak shell", "stop", "mm", {"least": (1.6, "mm"), "asked": (1.6, "mm"), "patch": (20.0, "mm2")}),
    51: ("locks in the mould", "caution", "mm", {
        "depth": (0.2, "mm"),
        "area": (4.0, "mm2"),
        "draft": (3.0, "degrees"),
        "wall": (200.0, "mm2"),
    }),
    52: ("deep recess", "note", "times", {"ratio": (1.0, "times"), "depth": (4.0, "mm")}),
    53: ("no land", "caution", "mm", {"margin": (0.0, "mm")}),
    54: ("no keys", "note", "keys", {"keys": (3.0, "keys")}),
    55: ("unmarked", "note", "marks", {"marks": (1.0, "marks")}),
    56: ("pair disagrees", "caution", "mm", {"apart": (1.0, "mm")}),
    70: ("no ticket", "note", "tickets", {}),
    71: ("ticket trouble", "stop", "%", {"far": (10.0, "%"), "far_length": (300.0, "%")}),
    72: ("same part twice", "note", "mm", {"share": (0.01, "% of the diagonal")}),
    73: ("calipers disagree", "caution", "mm", {
        "caution_mm": (1.0, "mm"),
        "caution_share": (1.0, "%"),
        "stop_mm": (3.0, "mm"),
        "stop_share": (3.0, "%"),
    }),
    74: ("tells too much", "caution", "pieces", {}),
}  # fmt: skip

# The limits that follow from the settings, for a part in resin with a pixel of 0.6 mm, layers of 0.05, a flexible mould, an asked-for wall
# of 4 mm and a margin of 30: those not named here are as above.
RESIN = Settings(process="resin", nozzle=0.6, layer=0.05, mould="flexible", wall=4.0, margin=30.0, set_by={"wall": "the ticket"})
FOR_RESIN: dict[int, dict[str, float]] = {
    11: {"void": 0.216},
    12: {"noise": 0.025},
    13: {"sag": 0.15},
    14: {"edge": 0.3},
    30: {"caution": 1.0},
    32: {"angle": 71.0, "bridge": 21.0, "longest bridge": 21.0},
    50: {"least": 2.0, "asked": 4.0},
    51: {"depth": 3.0},
    53: {"margin": 30.0},
}

# The same for extrusion through a nozzle of 0.8 mm in layers of 0.3.
WIDE = Settings(nozzle=0.8, layer=0.3, mould="rigid")
FOR_WIDE: dict[int, dict[str, float]] = {
    11: {"void": 0.512},
    12: {"noise": 0.15},
    13: {"sag": 0.2},
    14: {"edge": 0.4},
    30: {"stop": 0.8, "caution": 1.6},
    33: {"drop": 0.6},
    50: {"least": 3.2, "asked": 3.2},
}

HELP = (
    "edition 1 is frozen, and rule {number} is no longer what it was: {what}. Put it back; or, if it must change, make edition 2: raise "
    "EDITION in lint/settings.py, keep the old numbers for shops that ask for edition 1, and write the new table into a test of its own."
)


def _limits(rule: Rule, settings: Settings) -> dict[str, tuple[float, str]]:
    return {k: (float(v.default(settings)) if callable(v.default) else float(v.default), v.unit) for k, v in rule.limits.items()}


def _first_edition() -> dict[int, Rule]:
    return {n: r for n, r in all_rules().items() if r.since == 1}


def test_edition_1_has_these_rules_and_no_others() -> None:
    now, then = _first_edition(), EDITION_1
    for number in sorted(now.keys() ^ then.keys()):
        what = f'"{now[number].name}" says that it is of edition 1' if number in now else "it is gone (retire it, do not take it away)"
        pytest.fail(HELP.format(number=number, what=what))


@pytest.mark.parametrize("number", sorted(EDITION_1))
def test_a_rule_of_edition_1_is_what_it_was(number: int) -> None:
    rule, (name, weight, unit, limits) = all_rules()[number], EDITION_1[number]
    for word, now, then in (("name", rule.name, name), ("weight", rule.weight.word, weight), ("unit", rule.unit, unit)):
        assert now == then, HELP.format(number=number, what=f"its {word} is {now!r} and was {then!r}")
    for settings, others in ((Settings(), {}), (RESIN, FOR_RESIN.get(number, {})), (WIDE, FOR_WIDE.get(number, {}))):
        wanted = {k: (others.get(k, value), limit_unit) for k, (value, limit_unit) in limits.items()}
        found = _limits(rule, settings)
        assert list(found) == list(wanted), HELP.format(number=number, what=f"its limits are {list(found)} and were {list(wanted)}")
        for key, (value, limit_unit) in wanted.items():
            said = f"its limit {key!r} is {found[key][0]:g} {found[key][1]} and was {value:g} {limit_unit}"
            assert found[key][1] == limit_unit, HELP.format(number=number, what=said)
            assert found[key][0] == pytest.approx(value, rel=1e-9), HELP.format(number=number, what=said)


def test_the_facts_edition_1_takes_for_granted() -> None:
    assert EDITION >= 1
    assert dict(DEFAULTS) == {"process": "extrusion", "nozzle": 0.4, "layer": 0.2, "wall": 3.0, "base": 10.0, "corner": 0.0}
    assert [w.word for w in Weight] == ["note", "caution", "stop"]


def test_a_drift_would_be_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """This test can fail: with a rule made lighter, or a default moved, it says which."""
    monkeypatch.setattr(all_rules()[30], "weight", Weight.NOTE)
    with pytest.raises(AssertionError, match=r"edition 1 is frozen, and rule 30 .* weight is 'note' and was 'stop'"):
        test_a_rule_of_edition_1_is_what_it_was(30)
