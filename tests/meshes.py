"""Short words for tests of the rules of the scan: a part of a mesh, what one rule says of it, what mending makes of it."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from corpus import solids
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Mended, Outcome, Part, Source

SCAN_RULES = tuple(range(1, 15))


def part(mesh: solids.Mesh, units: str | None = "mm") -> Part:
    return Part(mesh[0].astype(float), mesh[1].copy(), Source(Path("heron.stl"), "stl", "", 0), units=units, units_from="the ticket")


def said(mesh: solids.Mesh | Part, number: int, settings: Settings | None = None, units: str | None = "mm") -> list[Finding]:
    """What one rule says; a rule that breaks fails the test."""
    subject = mesh if isinstance(mesh, Part) else part(mesh, units)
    report = examine(subject, {number: all_rules()[number]}, settings or Settings())
    assert [r.outcome for r in report.rules] != [Outcome.BROKE], report.rules[0].why
    return list(report.findings)


def cases(mesh: solids.Mesh | Part, number: int, settings: Settings | None = None, units: str | None = "mm") -> list[str]:
    return sorted(f.case for f in said(mesh, number, settings, units))


def mended(mesh: solids.Mesh | Part, *fixes: str, settings: Settings | None = None, numbers: tuple[int, ...] = SCAN_RULES) -> Mended:
    """The part after the named fixes, judged by the rules of the scan; a second run must find nothing left to do."""
    subject = mesh if isinstance(mesh, Part) else part(mesh)
    rules = {n: all_rules()[n] for n in numbers}
    chosen = {name: fix for name, fix in all_fixes().items() if name in fixes}
    done = mend(subject, rules, chosen, settings or Settings())
    assert not done.broke, [s.why for s in done.steps]
    again = mend(done.part, rules, chosen, Settings())
    assert not [s for s in again.steps if s.outcome == "done"]
    return done


def soup(mesh: solids.Mesh) -> solids.Mesh:
    """Every face with corners of its own, as STL keeps them."""
    corners = mesh[0][mesh[1]].reshape(-1, 3)
    return corners, np.arange(len(corners)).reshape(-1, 3)


def without(mesh: solids.Mesh, gone: np.ndarray) -> solids.Mesh:
    return mesh[0], mesh[1][~gone]
