"""Mend a part: every fix returns a new part and a promise, and is accepted by measurement or not at all.

The order is that of the work (lint/rooms.ORDER), never pairwise special cases. After each step the engine measures:
promise kept? the finding it was called for gone? nothing new raised? If any answer is no, the old part stays and the
record says why. A broken word (skin, volume, pieces, a finding said to be gone) is a fault of ours and ends the run with
no output; a new finding that the fix could not foresee only takes that step back.
"""

from __future__ import annotations

import contextlib
import resource
import sys
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from lint.measure import MeasurementFailed, Survey
from lint.measure.displacement import Moved, skin_moved
from lint.run import examine
from lint.settings import Settings
from lint.terms import (
    BadInput,
    BoolArray,
    Declined,
    Finding,
    Fix,
    FloatArray,
    Job,
    Mended,
    NotRun,
    NotYet,
    Outcome,
    Part,
    PartReport,
    Rule,
    Shaped,
    StepResult,
    Touch,
    Weight,
    Zone,
)  # fmt: skip

PASSES = 5  # the work settles in one or two, and one more shows that it has; the worst of wild files take four
RETURNS = 2  # and so often it goes back to the beginning from half way, because a stop calls for an earlier step
TRIES = 2  # a step that declined is offered the part once more when others have changed it

# A promise is a number in mm and the measure of it a sample in floating point: this much is forgiven.
SLACK_MM = 1e-6


@dataclass
class _Past:
    """refused: steps that are not offered the part again; declined, waiting: the parts that each step would not work on, and the last one
    that it wants other steps to see to first."""

    refused: set[str] = field(default_factory=set)
    declined: dict[str, list[Part]] = field(default_factory=dict)
    waiting: dict[str, Part] = field(default_factory=dict)

    def note(self, name: str, part: Part, reason: Exception) -> None:
        """A step declined this part."""
        if isinstance(reason, NotYet):
            self.waiting[name] = part
        else:
            self.declined.setdefault(name, []).append(part)

    def had_its_turn(self, name: str, part: Part) -> bool:
        """Whether a step is not to be offered this part: it was refused for good, or declined this very part, or others often enough."""
        tried = self.declined.get(name, [])
        return name in self.refused or len(tried) >= TRIES or any(p is part for p in (*tried, self.waiting.get(name)))


def mend(
    part: Part,
    rules: Mapping[int, Rule],
    fixes: Mapping[str, Fix],
    settings: Settings,
    *,
    say: Callable[[str], None] = lambda text: None,
) -> Mended:
    """Fix a part as far as `settings.allow` lets it, and report every step.

    fixes: by name, in the order of the work. Steps in `settings.steps` run even when no finding calls for them.
    say: told the name of each step as it begins. A crash inside a fix is raised: it is our bug, not the maker's.
    """
    survey = Survey(part)
    before = examine(part, rules, settings, survey=survey)
    report = before
    steps: list[StepResult] = []
    if before.unreadable is not None:
        return Mended(before, before, part, ())
    unknown = [name for name in settings.steps if name not in fixes]
    if unknown:
        raise BadInput(f"there is no step called {unknown[0]!r}; there are: {', '.join(fixes)}")
    steps_asked = set(settings.steps) | ({"crop"} if part.ticket.fix.crop else set())
    between = _needed_between(rules, fixes, steps_asked)
    planned = frozenset(steps_asked) | {n for n, f in fixes.items() if not f.on_demand}
    done: set[str] = set()
    past = _Past()
    waiting = set(steps_asked)
    broke = False
    turn = returns = 0
    while turn < PASSES:
        changed = False
        for name, fix in fixes.items():
            asked = name in waiting
            calling = tuple(f for f in report.findings if f.fix == name and f.accepted is None)
            if past.had_its_turn(name, part) or not _wanted(fix, calling, asked, done):
                continue
            if turn > 0 and fix.touch is Touch.SKIN and not asked and _built_upon(name, fixes, done):
                continue
            if fix.touch > settings.allow:
                if asked or turn == 0:
                    why = f"it touches the {fix.touch.word}, and only {settings.allow.word} is allowed"
                    steps.append(StepResult(name, fix.touch, "held back", why))
                past.refused.add(name)
                continue
            if changed and fix.on_demand and returns < RETURNS and _unsettled(name, fixes, report, settings, part, past):
                returns += 1  # what was seated only now may still cross or overlap: that comes before anything is made of it
                break
            waiting.discard(name)
            say(name)
            began = time.perf_counter()
            _forget_peak()
            job = Job(part, settings, calling, report.findings, survey, planned, asked)
            try:
                assert fix.function is not None
                shaped = fix.function(job)
            except (Declined, NotRun) as reason:
                steps = [s for s in steps if (s.name, s.outcome) != (name, "declined")]
                steps.append(StepResult(name, fix.touch, "declined", str(reason), seconds=time.perf_counter() - began))
                past.note(name, part, reason)
                if asked and isinstance(reason, NotYet):
                    waiting.add(name)
                continue
            new_survey = Survey(shaped.part)
            new_report = examine(shaped.part, between, settings, survey=new_survey)
            fault, moved = judge(part, shaped, survey, new_survey, new_report)
            raised = None if fault else _no_help(shaped, report, new_report) or raised_fault(shaped, report, new_report)
            outcome = "promise broke" if fault else "taken back" if raised else "done"
            step = StepResult(
                name, fix.touch, outcome, fault or raised or shaped.did,
                moved_max=moved.max if moved else None, moved_p99=moved.p99 if moved else None,
                seconds=time.perf_counter() - began, peak_mib=_peak_mib(), zones=shaped.zones, cautions=shaped.cautions,
                transform=shaped.moved,
            )  # fmt: skip
            steps.append(step)
            if fault or raised:
                broke = broke or fault is not None
                past.refused.add(name)
                continue
            if shaped.moved is not None:
                steps = [_carried(s, shaped.moved) if s is not step else s for s in steps]
            if len(survey.get("edges").open) and not len(new_survey.get("edges").open):
                past.declined.clear()  # what a sheet could not be given, a closed part may
            part, survey, report, changed = shaped.part, new_survey, new_report, True
            done.add(name)
        else:
            turn += 1
        if not changed:
            break
    after = report if report is before else examine(part, rules, settings, survey=survey)
    return Mended(before, after, part, tuple(steps), broke)


def _needed_between(rules: Mapping[int, Rule], fixes: Mapping[str, Fix], asked: set[str]) -> dict[int, Rule]:
    """The rules that can call for a fix or take one back. Mere notes, and cautions whose remedy waits for the maker's word,
    are heard before the work and after it, not at every step."""

    def matters(rule: Rule) -> bool:
        fix = fixes.get(rule.fix or "")
        if fix is None:
            return rule.weight >= Weight.CAUTION
        if fix.name in asked or fix.touch is Touch.RECORD or rule.weight is Weight.STOP:
            return True
        return rule.weight is Weight.CAUTION and not fix.on_demand

    return {number: rule for number, rule in rules.items() if matters(rule)}


def _unsettled(
    name: str, fixes: Mapping[str, Fix], report: PartReport, settings: Settings, part: Part, past: _Past
) -> bool:
    """Whether a stop calls for a step that comes before this one, and that has not yet been offered the part as it is now."""
    order = list(fixes)
    for finding in report.findings:
        fix = fixes.get(finding.fix or "")
        if fix is None or fix.on_demand or finding.weight < Weight.STOP or finding.accepted is not None:
            continue
        may = fix.touch <= settings.allow and not past.had_its_turn(fix.name, part)
        if may and order.index(fix.name) < order.index(name):
            return True
    return False


def _built_upon(name: str, fixes: Mapping[str, Fix], done: set[str]) -> bool:
    """Whether a step that comes after this one in the work, and that the maker asked for, is done: a plate under a drained base
    would stop its holes, so the skin is not gone back to."""
    order = list(fixes)
    return any(order.index(other) > order.index(name) and fixes[other].on_demand for other in done)


def _wanted(fix: Fix, calling: tuple[Finding, ...], asked: bool, done: set[str]) -> bool:
    if asked:
        return True
    if not calling:
        return False
    heaviest = max(f.weight for f in calling)
    if fix.on_demand:
        return (fix.for_stop and heaviest is Weight.STOP) or any(name in done for name in fix.follows)
    return heaviest >= Weight.CAUTION or fix.touch is Touch.RECORD


def judge(
    old: Part, shaped: Shaped, old_survey: Survey, new_survey: Survey, after: PartReport
) -> tuple[str | None, Moved | None]:
    """Which promise of a fix broke, as a sentence (None: all kept), and how far the skin was measured to have moved."""
    promise = shaped.promise
    if after.unreadable is not None:
        return f"it left no usable mesh: {after.unreadable}", None
    crashed = [r for r in after.rules if r.outcome is Outcome.BROKE]
    if crashed:
        return f"rule {crashed[0].number} broke on what it made: {crashed[0].why}", None
    moved = skin_moved(old, shaped.part, shaped.moved, shaped.zones, (_hidden(old_survey), _hidden(new_survey)))
    for said, measured, word in ((promise.skin_max, moved.max, "at most"), (promise.skin_p99, moved.p99, "99 of 100 points")):
        if said is not None and measured > said + SLACK_MM + moved.noise:
            return f"it promised to move the skin {word} {said:.3f} mm outside its zones; measured {measured:.3f} mm", moved
    return (
        _volume_fault(promise.volume, old_survey, new_survey, shaped.moved)
        or _piece_fault(promise.pieces, old_survey, new_survey)
    ), moved


def _hidden(survey: Survey) -> BoolArray | None:
    """The faces that bound sealed hollows: they are no skin that anybody sees."""
    try:
        faces: BoolArray = survey.get("hollows").hidden
    except (NotRun, MeasurementFailed):
        return None
    return faces if bool(faces.any()) else None


def _volume_fault(word: str, old: Survey, new: Survey, moved: FloatArray | None) -> str | None:
    if word == "any":
        return None
    try:
        was, now = float(old.get("volume")), float(new.get("volume"))
    except NotRun:
        return None  # an open sheet has no volume, so no word about it can be held to
    was *= abs(float(np.linalg.det(moved[:3, :3]))) if moved is not None else 1.0
    slack = 1e-6 * max(abs(was), abs(now)) + 1e-9
    kept = {"same": abs(now - was) <= slack, "more": now >= was - slack, "less": now <= was + slack}[word]
    return None if kept else f"it promised the volume would be {word}; it went from {was:.3f} to {now:.3f} mm3"


def _piece_fault(word: str, old: Survey, new: Survey) -> str | None:
    if word == "any":
        return None
    was, now = int(old.get("shells").count), int(new.get("shells").count)
    kept = now == was if word == "same" else now < was
    return None if kept else f"it promised {word} pieces; there were {was} and are {now}"


def _no_help(shaped: Shaped, before: PartReport, after: PartReport) -> str | None:
    """Which finding that a fix was to end or to lessen stands as before, as a sentence (None: none). It harmed nothing, so it is taken
    back, and the work goes on without it."""
    was, now = _by_rule(before.findings), _by_rule(after.findings)
    for number in shaped.promise.clears:
        if number in now:
            return f"rule {number} ({now[number][0].name}) still speaks: {now[number][0].message}"
    for number in shaped.promise.lessens:
        if number in now and number in was and _amount(now[number]) >= _amount(was[number]):
            return f"rule {number} ({now[number][0].name}) speaks as loudly as before: {now[number][0].message}"
    return None


def raised_fault(shaped: Shaped, before: PartReport, after: PartReport) -> str | None:
    """What a fix newly raised at caution or above without having foreseen it, as a sentence (None: nothing).

    It broke no word it gave, so the work goes on without it: the step is taken back and the old part stays. A step that put an end to a
    stop and raised no other is kept: a part that cannot be printed at all is not the better one. What it raised is told with the rest.
    """
    was, now = _by_rule(before.findings), _by_rule(after.findings)
    stops = {number for number, found in was.items() if any(f.weight is Weight.STOP for f in found)}
    freed = any(all(f.weight is not Weight.STOP for f in now.get(number, ())) for number in stops)
    least = Weight.STOP if freed else Weight.CAUTION
    outcomes = {r.number: r.outcome for r in before.rules}
    for number, found in now.items():
        if number in shaped.promise.may_raise or outcomes.get(number) is Outcome.NOT_RUN:
            continue
        worst = max(f.weight for f in found)
        earlier = max((f.weight for f in was.get(number, ())), default=None)
        if worst >= least and (earlier is None or worst > earlier):
            return f"it raised rule {number} ({found[0].name}): {found[0].message}"
    return None


def _by_rule(findings: Iterable[Finding]) -> dict[int, list[Finding]]:
    grouped: dict[int, list[Finding]] = {}
    for finding in findings:
        grouped.setdefault(finding.rule, []).append(finding)
    return grouped


def _amount(findings: list[Finding]) -> tuple[int, float]:
    return len(findings), sum(abs(f.measured) for f in findings)


def _carried(step: StepResult, moved: FloatArray) -> StepResult:
    """An earlier step with its zones taken along by a later move, so that the record speaks of the finished part."""
    return replace(step, zones=tuple(carried_zone(z, moved) for z in step.zones)) if step.zones else step


def carried_zone(zone: Zone, moved: FloatArray) -> Zone:
    """A zone in the coordinates after `moved`, (4, 4), a rigid move with one scale for all directions."""
    if not zone.points:
        return zone
    scale = abs(float(np.linalg.det(moved[:3, :3]))) ** (1 / 3)
    points = np.asarray(zone.points)
    if zone.kind == "under":
        point = moved[:3, :3] @ points[0] + moved[:3, 3]
        points = np.array([point, moved[:3, :3] @ points[1] / scale])
    elif zone.kind == "box":
        corners = np.array(np.meshgrid(*points.T)).reshape(3, -1).T @ moved[:3, :3].T + moved[:3, 3]
        points = np.array([corners.min(axis=0), corners.max(axis=0)])
    else:
        points = points @ moved[:3, :3].T + moved[:3, 3]
    return replace(zone, size=zone.size * scale, points=tuple((float(x), float(y), float(z)) for x, y, z in points))


def _forget_peak() -> None:
    """Begin a new high-water mark of memory, where the system keeps one that can be reset (Linux: proc(5), clear_refs)."""
    with contextlib.suppress(OSError):
        Path("/proc/self/clear_refs").write_text("5")


def _peak_mib() -> float:
    """The most memory held since the mark was last reset, MiB; elsewhere than on Linux the most since the process began."""
    with contextlib.suppress(OSError, StopIteration, ValueError):
        lines = Path("/proc/self/status").read_text(encoding="ascii", errors="replace").splitlines()
        return float(next(line for line in lines if line.startswith("VmHWM:")).split()[1]) / 1024
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return float(peak) / (1024 * 1024 if sys.platform == "darwin" else 1024)
