"""Accepted findings are known again after re-export, and nothing else is taken for them."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from lint.ledger import entries_for, key_of, match, reconcile, without
from lint.terms import BadInput, Finding, Outcome, PartReport, Place, RuleResult, Weight
from lint.ticket import Ledger

ROOT = Path("/shelf")
TODAY = datetime.date(2026, 11, 25)


def finding(centre: np.ndarray, rule: int = 30, reach: float = 2.0) -> Finding:
    place = Place((float(centre[0]), float(centre[1]), float(centre[2])), reach)
    return Finding(rule, "thin wall", "thin", Weight.STOP, 0.3, 0.4, "mm", "wall 0.30 mm", place=place)


def report(findings: list[Finding], low: np.ndarray, name: str = "ears/troll left.stl") -> PartReport:
    rules = tuple(RuleResult(n, "thin wall", Outcome.FOUND) for n in (30, 31))
    return PartReport(None, ROOT / name, rules, tuple(findings), low=(float(low[0]), float(low[1]), float(low[2])))


def shelf(count: int, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    """Spots on a 60 mm ball, at least 3 mm apart, and the low corner of the ball."""
    rng = np.random.default_rng(seed)
    spots: list[np.ndarray] = []
    while len(spots) < count:
        p = rng.normal(size=3)
        p *= 30 / np.linalg.norm(p)
        if all(np.linalg.norm(p - q) > 3 for q in spots):
            spots.append(p)
    return np.array(spots), np.full(3, -30.0)


def test_two_hundred_spots_are_known_again_after_reexport() -> None:
    """Renumbered, moved by metres, through 32-bit floats and with 0.02 mm of noise: all 200, none taken for another."""
    spots, low = shelf(200)
    old = report([finding(p) for p in spots], low)
    ledger = Ledger(accepted=entries_for([old], ROOT, "sanded by hand"))
    assert len(ledger.accepted) == 200
    rng = np.random.default_rng(5)
    shift = np.array([1234.5, -987.6, 55.5])
    order = rng.permutation(200)
    noisy = ((spots + shift)[order] + rng.normal(scale=0.02, size=(200, 3))).astype(np.float32).astype(float)
    new = report([finding(p) for p in noisy], (low + shift).astype(np.float32).astype(float))
    pairs = match(ledger.accepted, new)
    where = {tuple(np.round(spots[i] - low, 3)): i for i in range(200)}
    right = sum(where[tuple(ledger.accepted[e].spot or ())] == order[f] for e, f in pairs)
    assert (len(pairs), right) == (200, 200)
    assert all(f.accepted == "sanded by hand" for f in reconcile([new], ledger, ROOT, TODAY).reports[0].findings)


def test_a_new_fault_beside_an_accepted_one_still_counts() -> None:
    old = report([finding(np.zeros(3))], np.full(3, -30.0))
    ledger = Ledger(accepted=entries_for([old], ROOT, "known"))
    new = report([finding(np.array([0.3, 0, 0])), finding(np.array([0.9, 0, 0])), finding(np.zeros(3), rule=31)], np.full(3, -30.0))
    marked = reconcile([new], ledger, ROOT, TODAY).reports[0].findings
    assert [f.accepted for f in marked] == ["known", None, None]


def test_a_fault_that_moved_away_is_new_and_its_entry_is_paid() -> None:
    old = report([finding(np.zeros(3))], np.full(3, -30.0))
    ledger = Ledger(accepted=entries_for([old], ROOT, "known"))
    new = report([finding(np.array([5.0, 0, 0]))], np.full(3, -30.0))
    done = reconcile([new], ledger, ROOT, TODAY)
    assert done.reports[0].findings[0].accepted is None
    assert list(done.paid) == ledger.accepted
    assert without(ledger, done.paid).accepted == []


def test_nothing_is_paid_by_a_rule_that_was_not_run_or_a_part_not_looked_at() -> None:
    old = report([finding(np.zeros(3))], np.full(3, -30.0))
    ledger = Ledger(accepted=entries_for([old], ROOT, "known"))
    silent = replace(old, findings=(), rules=(RuleResult(30, "thin wall", Outcome.NOT_RUN, "no units"),))
    assert not reconcile([silent], ledger, ROOT, TODAY).paid
    assert not reconcile([], ledger, ROOT, TODAY).paid


@pytest.mark.parametrize(("day", "counts"), [("2026-11-24", True), ("2026-11-25", False), ("2027-01-01", False)])
def test_an_entry_past_its_last_day_counts_again(day: str, counts: bool) -> None:
    old = report([finding(np.zeros(3))], np.full(3, -30.0))
    ledger = Ledger(accepted=entries_for([old], ROOT, "known", until=datetime.date.fromisoformat(day)))
    done = reconcile([old], ledger, ROOT, TODAY)
    assert (done.reports[0].worst() is not None) is counts
    assert bool(done.expired) is counts


def test_a_bad_day_and_an_empty_reason_are_refused() -> None:
    old = report([finding(np.zeros(3))], np.full(3, -30.0))
    with pytest.raises(BadInput, match="needs a reason"):
        entries_for([old], ROOT, "  ")
    ledger = Ledger(accepted=entries_for([old], ROOT, "known"))
    ledger.accepted[0].until = "next spring"
    with pytest.raises(BadInput, match="write a day as"):
        reconcile([old], ledger, ROOT, TODAY)


def test_parts_are_called_by_their_path_from_the_shelf() -> None:
    assert key_of(ROOT / "ears" / "troll left.stl", ROOT) == "ears/troll left.stl"
    with pytest.raises(BadInput, match="not under"):
        key_of(Path("/elsewhere/x.stl"), ROOT)


def test_only_the_rules_asked_for_and_nothing_twice() -> None:
    old = report([finding(np.zeros(3)), finding(np.array([9.0, 0, 0]), rule=31)], np.full(3, -30.0))
    ledger = Ledger(accepted=entries_for([old], ROOT, "known", rules={31}))
    assert [e.rule for e in ledger.accepted] == [31]
    marked = reconcile([old], ledger, ROOT, TODAY).reports
    assert [e.rule for e in entries_for(marked, ROOT, "known")] == [30]
