"""Reports made by hand for the tests of the renderers: every way a rule can end, and names that try to do harm."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np

from lint.settings import Settings
from lint.terms import (
    Finding,
    LimitUsed,
    Outcome,
    Part,
    PartReport,
    Place,
    Report,
    Rule,
    RuleResult,
    Source,
    Weight,
)  # fmt: skip

# Published schemas of other people's formats: BUCKWRIGHT_SCHEMAS, or shared/trade/schemas beside the checkout.
SCHEMAS = Path(os.environ.get("BUCKWRIGHT_SCHEMAS") or Path(__file__).resolve().parents[2] / "shared" / "trade" / "schemas")

# A name that clears a screen, turns text round, breaks lines, closes tags, mentions people and links to a page.
EVIL = 'tro\x1b[2Jll\u202e<b>|`*_@everyone_#12 "&\n[x](http://a.example).stl'

PAGE = """{name}: the fault in one plain sentence.

At the bench: what it does there.

How it is measured: with a ruler.

Limit: some.

What mends it: cut it away with a knife. Then look again.

When it is wrong: seldom.
"""


def rule(number: int, name: str, weight: Weight = Weight.STOP, *, fix: str | None = None, needs: tuple[str, ...] = (), caution: str = "",
         after: tuple[int, ...] = ()) -> Rule:  # fmt: skip
    made = Rule(number, name, weight, "mm", {"case": "{measured}"}, fix=fix, needs=needs, after=after)
    made.page = PAGE.format(name=name.capitalize()) + (f"\nCaution: {caution}\n" if caution else "")
    return made


RULES = {
    1: rule(1, "nothing to print"),
    4: rule(4, "open edge", fix="close"),
    13: rule(13, "coarse skin", Weight.NOTE),
    30: rule(30, "thin wall", caution="resin dust harms the lungs: sand it wet"),
    37: rule(37, "trapped hollow", fix="drain"),
    38: rule(38, "suction cup", Weight.CAUTION, needs=("process=resin",)),
    23: rule(23, "not life-size", Weight.CAUTION, needs=("part.body",)),
    51: rule(51, "locks in the mould", Weight.CAUTION),
    54: rule(54, "no keys", Weight.NOTE, fix="key"),
}


def finding(
    number: int,
    measured: float = 0.5,
    limit: float | None = 0.8,
    *,
    weight: Weight | None = None,
    at: tuple[float, float, float] | None = (1, 2, 3),
    faces: list[int] | None = None,
    accepted: str | None = None,
    trial: bool = False,
    message: str = "",
) -> Finding:
    ours = RULES[number]
    place = None if at is None else Place(at, 2.5, None if faces is None else np.array(faces))
    said = message or f"it is {measured:.2f} mm and should be {limit} mm"
    return Finding(number, ours.name, "thin", weight or ours.weight, measured, limit, "mm", said, place, fix=ours.fix,
                   accepted=accepted, trial=trial)  # fmt: skip


def part(name: str = "troll.stl") -> Part:
    vertices = np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10]])
    source = Source(Path(name), "stl", "ab" * 32, 84 + 50 * 4)
    return Part(vertices, np.array([[0, 2, 1], [0, 1, 3], [1, 2, 3], [0, 3, 2]]), source, units="mm", units_from="the ticket")


def part_report(name: str = "troll.stl", findings: tuple[Finding, ...] = (), results: tuple[RuleResult, ...] = ()) -> PartReport:
    found = {f.rule for f in findings}
    spoke = tuple(RuleResult(n, RULES[n].name, Outcome.FOUND, limits={"wall": LimitUsed(0.8, "mm", "edition 1")}) for n in sorted(found))
    ordered = tuple(sorted(findings, key=lambda f: (-f.weight, f.rule)))
    return PartReport(
        part(name), Path(name), tuple(sorted((*spoke, *results), key=lambda r: r.number)), ordered, 0.25, {"edges": 0.1},
        extents=(10.0, 10.0, 10.0), faces=4, low=(0.0, 0.0, 0.0), settings=Settings(set_by={"nozzle": "edition 1"}),
    )  # fmt: skip


def full_report(name: str = EVIL, line: Weight = Weight.STOP) -> Report:
    """One part with everything that can be said, one that could not be read, and one that is clean."""
    findings = (
        *(finding(4, 10.0 * k, 0, at=(k, 0, 0), faces=[k, k + 1], message=f"open for {10 * k} mm at {name}") for k in range(5, 0, -1)),
        finding(30, 0.3, faces=[2]),
        finding(30, 0.6, weight=Weight.CAUTION, at=(9, 9, 9)),
        finding(13, 0.2, 0.1),
        finding(37, 12.0, 0, accepted=f"the tin king drips | on purpose {name}"),
        finding(51, float("inf"), None, at=None, trial=True),
        finding(54, 0, 2, at=None),
    )
    results = (
        RuleResult(38, "suction cup", Outcome.NOT_RUN, "it is for resin printing, and this part is for extrusion", missing="process=resin"),
        RuleResult(23, "not life-size", Outcome.NOT_RUN, "the ticket does not say which body part it is", missing="part.body"),
        RuleResult(1, "nothing to print", Outcome.CLEAN),
    )
    return Report(
        (
            part_report(name, findings, results),
            PartReport(None, Path(f"bad {name}"), unreadable=f"bad {name}: it ends in the middle of a face"),
            part_report("clean.stl", results=(RuleResult(4, "open edge", Outcome.CLEAN),)),
        ),
        1,
        "0.1.0",
        line,
    )


def broke_report() -> Report:
    """One part on which a rule crashed."""
    result = RuleResult(4, "open edge", Outcome.BROKE, "ValueError: <oh> (this is a bug of buckwright)")
    return Report((part_report(results=(result,)),), 1, "0.1.0")
