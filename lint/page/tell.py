"""What the page is told: reports and steps as plain data with their sentences ready, so that the page itself decides nothing."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from lint.report.advice import advise, cautions, section
from lint.report.plain import measured_text, place_text
from lint.report.tally import groups, not_run_reasons, tally
from lint.rooms import all_fixes, all_rules
from lint.terms import Finding, Fix, Mended, PartReport, StepResult, Touch, Weight
from lint.ticket import Ticket

# How far a fix reaches, in the maker's terms.
TOUCHES: Mapping[Touch, str] = {
    Touch.RECORD: "the file, not the shape",
    Touch.PIECE: "loose pieces, or the way the whole part lies",
    Touch.INSIDE: "hidden volume, not the surface you see",
    Touch.SKIN: "the surface you see",
}
# Steps with a place of their own on the card, or that the work does by itself: not offered as something to ask for.
_ELSEWHERE = frozenset({"crop", "resize", "seat", "settle"})


def findings_data(report: PartReport) -> list[dict[str, Any]]:
    """The findings that count, the worst first, each with the number of its pin."""
    unit = report.part.length_unit if report.part is not None else "mm"
    ordered = [f for group in groups(f for f in report.findings if f.counts) for f in group.findings]
    return [_finding(number, f, unit) for number, f in enumerate(ordered, start=1)]


def counted(report: PartReport) -> list[Finding]:
    """The findings in the order of their pins."""
    return [f for group in groups(f for f in report.findings if f.counts) for f in group.findings]


def _finding(number: int, finding: Finding, unit: str) -> dict[str, Any]:
    place = finding.place
    return {
        "number": number,
        "rule": finding.rule,
        "name": finding.name,
        "weight": finding.weight.word,
        "message": finding.message,
        "measured": measured_text(finding),
        "where": "" if place is None else place_text(place, unit),
        "place": None if place is None else {"centre": list(place.centre), "reach": place.reach},
        "fix": finding.fix,
    }


def report_data(report: PartReport, ticket: Ticket) -> dict[str, Any]:
    """Everything the page shows of one part: findings, what was not judged and why, cautions, and what can be done."""
    rules, fixes = all_rules(), all_fixes()
    advice = advise(report, rules, fixes)
    counts = tally([report], Weight.STOP)
    return {
        "faces": report.faces,
        "extents": list(report.extents) if report.extents else None,
        "units": report.part.units if report.part is not None else None,
        "counts": {"stop": counts.stops, "caution": counts.cautions, "note": counts.notes},
        "counts_text": counts.weights_text(),
        "findings": findings_data(report),
        "cautions": {str(number): text for number, text in cautions(report, rules).items()},
        "not_run": [{"why": why, "rules": [r.number for r in results]} for why, results in not_run_reasons(report).items()],
        "hands": {str(number): plain for number, text in advice.hands.items() if (plain := without_commands(text))},
        "does": [_choice(fixes[name], found) for name, found in advice.mends.items()],
        "asks": [_choice(fix, advice.asks.get(name, ())) for name, fix in fixes.items() if fix.on_demand and name not in _ELSEWHERE],
        "asked": list(ticket.fix.steps),
    }


def without_commands(text: str) -> str:
    """What to do by hand, without the clauses that name a command: who reads this has the card instead."""
    clauses = []
    for clause in text.split(";"):
        before, command, _ = clause.partition("`buckwright")
        kept = before.strip() if not command else re.sub(r"[\s,:]*(\bthen)?[\s,:]*$", "", before.strip())
        if kept:
            clauses.append(kept)
    return "; ".join(clauses)


def _choice(fix: Fix, because: tuple[Finding, ...]) -> dict[str, Any]:
    """A fix as it is offered: what it does and touches, which findings call for it, and what to take care of."""
    pages = [rule.page for rule in all_rules().values() if rule.fix == fix.name]
    care = list(dict.fromkeys(text for page in pages if (text := section(page, "Caution"))))
    return {
        "name": fix.name,
        "does": fix.does,
        "touch": fix.touch.word,
        "touches": TOUCHES[fix.touch],
        "because": list(dict.fromkeys(f.name for f in because)),
        "care": care,
    }


def mended_data(mended: Mended, ticket: Ticket) -> dict[str, Any]:
    """The end of a fix: each step in words, what is left, and how it stood before."""
    before, after = (tally([r], Weight.STOP) for r in (mended.before, mended.after))
    return {
        "steps": [_step(s) for s in mended.steps],
        "broke": mended.broke,
        "before_text": before.weights_text(),
        "after_text": after.weights_text(),
        "stops_left": after.stops,
        "after": report_data(mended.after, ticket),
    }


def _step(step: StepResult) -> dict[str, Any]:
    still = not any(z.kind == "all" for z in step.zones)  # a step that changes everything leaves no still skin to measure
    moved = step.moved_max if step.outcome == "done" and still else None
    return {
        "name": step.name,
        "touches": TOUCHES[step.touch],
        "outcome": step.outcome,
        "why": step.why,
        "moved_mm": moved,
        "besides": list(dict.fromkeys(z.why for z in step.zones)) if moved is not None else [],
        "whole": step.transform is not None,
        "seconds": round(step.seconds, 1),
        "cautions": list(step.cautions),
    }
