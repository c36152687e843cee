"""Examine a part by every rule. Knows no rule by number but the first, which says whether there is a mesh at all."""

from __future__ import annotations

import contextlib
import math
import time
from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from lint import cores
from lint.measure import MeasurementFailed, Survey, wants
from lint.measure.vectors import reach
from lint.settings import Settings, require
from lint.terms import Finding, FloatArray, NotRun, Outcome, Part, PartReport, Rule, RuleResult, Weight
from lint.turns import Turns

LARGE = 50_000  # faces from which on threads gain more than they cost


def examine(
    part: Part,
    rules: Mapping[int, Rule],
    settings: Settings,
    *,
    shelf: Any = None,
    survey: Survey | None = None,
    also: Iterable[str] = (),
) -> PartReport:
    """Judge one part by the rules given, in order of number. Never raises for what a part is like.

    shelf: what the rules that compare parts may ask for (None: they are not run).
    survey: measurements already taken of this very part, to be shared. also: those that the caller will ask it for afterwards; where
    several threads are at work they are taken meanwhile.
    """
    began = time.perf_counter()
    survey = survey or Survey(part)
    turns = Turns({number: rule for number, rule in rules.items() if rule.retired is None})
    unreadable: str | None = None
    if 1 in turns.rules:
        turns.ended(1, *_judge(turns.rules[1], part, settings, survey, shelf, set(), None))
        if turns.found[1]:
            unreadable = f"{part.source.path}: {turns.found[1][0].message}"

    def judge(number: int) -> tuple[RuleResult, list[Finding]]:
        return _judge(turns.rules[number], part, settings, survey, shelf, turns.spoke(), unreadable)

    threads = cores.count() if len(part.faces) >= LARGE and unreadable is None else 1
    turns.take_all(judge, threads, alone=_looks_about, first=lambda: _take(survey, also))
    box = _box(part)
    findings = in_order([f for number in sorted(turns.found) for f in turns.found[number]])
    return PartReport(
        part=part,
        path=part.source.path,
        rules=tuple(turns.results[number] for number in sorted(turns.results)),
        findings=tuple(findings),
        seconds=time.perf_counter() - began,
        measured_seconds=dict(survey.seconds),
        unreadable=unreadable,
        extents=_three(box[1] - box[0]) if box is not None and part.units is not None else None,
        volume=_volume(part, survey),
        faces=len(part.faces),
        low=_three(box[0]) if box is not None else None,
        settings=settings,
    )


def _looks_about(rule: Rule) -> bool:
    """Whether a rule looks at the other parts of the shelf."""
    return rule.function is not None and "shelf" in wants(rule.function)


def _take(survey: Survey, names: Iterable[str]) -> None:
    """Take measurements that need no more than the part; a survey keeps a failure for whoever asks."""
    for name in names:
        with contextlib.suppress(NotRun, MemoryError, MeasurementFailed):
            survey.get(name)


def _judge(
    rule: Rule, part: Part, settings: Settings, survey: Survey, shelf: Any, spoke: set[int], unreadable: str | None
) -> tuple[RuleResult, list[Finding]]:
    tuned = settings.tuning.get(rule.number)
    limits = settings.limits_of(rule)

    def ended(outcome: Outcome, why: str = "", seconds: float = 0.0, missing: str = "") -> RuleResult:
        return RuleResult(rule.number, rule.name, outcome, why, seconds, limits, missing)

    if unreadable is not None:
        return ended(Outcome.NOT_RUN, "the file holds no usable mesh"), []
    if tuned is not None and tuned.off:
        return ended(Outcome.NOT_RUN, f"switched off in {tuned.set_by}: {tuned.because}"), []
    for earlier in rule.after:
        if earlier in spoke:
            return ended(Outcome.NOT_RUN, f"rule {earlier} spoke first; mend that, then this can be judged"), []
    began = time.perf_counter()
    measuring = 0.0
    assert rule.function is not None
    missing = ""
    try:
        for missing in rule.needs:
            require(missing, part, settings)
        missing = ""
        if rule.picks and shelf is not None:
            shelf.require_others(part)  # before anything is measured for nobody
        inputs: dict[str, Any] = {}
        for name in wants(rule.function):
            if name == "settings":
                inputs[name] = settings
            elif name == "limits":
                inputs[name] = {k: v.value for k, v in limits.items()}
            elif name == "shelf":
                if shelf is None:
                    raise NotRun("it compares parts, and only one was given")
                inputs[name] = shelf
            else:
                asked = time.perf_counter()
                inputs[name] = survey.get(name)
                measuring += time.perf_counter() - asked
        found = list(rule.function(**inputs))
    except NotRun as reason:
        return ended(Outcome.NOT_RUN, str(reason), time.perf_counter() - began, missing), []
    except MemoryError:
        why = "there was not enough memory to measure it: thin the part out, or see whether its units are right"
        return ended(Outcome.BROKE, why, time.perf_counter() - began), []
    except MeasurementFailed as failure:
        return ended(Outcome.BROKE, f"{failure} (this is a bug of buckwright)", time.perf_counter() - began), []
    except Exception as error:  # a crash is ours: say so, and let the other rules speak
        return ended(Outcome.BROKE, f"{type(error).__name__}: {error} (this is a bug of buckwright)", time.perf_counter() - began), []
    own = time.perf_counter() - began - measuring
    on_trial = rule.since > settings.edition
    weight = tuned.weight if tuned is not None else None
    if weight is not None or on_trial:
        found = [replace(f, weight=_heavier(f, rule, weight), trial=on_trial) for f in found]
    return ended(Outcome.FOUND if found else Outcome.CLEAN, "", max(own, 0.0)), found


def _heavier(finding: Finding, rule: Rule, weight: Weight | None) -> Weight:
    """A tuned weight replaces the rule's own; cases that the rule itself made lighter or heavier keep their distance."""
    if weight is None:
        return finding.weight
    return Weight(min(max(weight + (finding.weight - rule.weight), Weight.NOTE), Weight.STOP))


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Findings as a report lists them: the heaviest first, then by rule, then the farthest past the limit."""
    return sorted(findings, key=lambda f: (-f.weight, f.rule, -_past(f)))


def _past(finding: Finding) -> float:
    """How far past the limit a finding is, as a share, for sorting only."""
    if finding.limit is None or finding.limit == 0 or not math.isfinite(finding.measured):
        return abs(finding.measured) if math.isfinite(finding.measured) else math.inf
    return abs(finding.measured - finding.limit) / abs(finding.limit)


def _volume(part: Part, survey: Survey) -> float | None:
    """The volume, where the shells have been told apart already: nothing is measured for it."""
    shells = survey.taken("shells")
    if part.units is None or shells is None or not shells.count or not bool(shells.closed.all()):
        return None
    return float(shells.volume.sum())


def _box(part: Part) -> tuple[FloatArray, FloatArray] | None:
    """The least and the greatest corner (3,) of all vertices; None where there are none, or where one is no number."""
    if not len(part.vertices):
        return None
    low, high = reach(part.vertices)
    return (low, high) if np.isfinite(low).all() and np.isfinite(high).all() else None


def _three(numbers: FloatArray) -> tuple[float, float, float]:
    x, y, z = numbers.tolist()
    return (x, y, z)
