"""Counts and groups of a report, for every renderer alike."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from lint.report.plain import listed, many
from lint.terms import Finding, Outcome, PartReport, Report, RuleResult, Weight

LINE_WORDS: Mapping[Weight, str] = {Weight.STOP: "stop", Weight.CAUTION: "caution or stop", Weight.NOTE: "note, caution or stop"}


@dataclass(frozen=True)
class Tally:
    """How many findings there are of each weight that count, how many were left out of the count, and what could not be judged."""

    stops: int = 0
    cautions: int = 0
    notes: int = 0
    below: int = 0
    accepted: int = 0
    trial: int = 0
    not_run: int = 0
    broke: int = 0
    unreadable: int = 0

    def weights_text(self) -> str:
        """The findings that count, in words."""
        return listed((many(self.stops, "stop"), many(self.cautions, "caution"), many(self.notes, "note")))


def tally(parts: Iterable[PartReport], line: Weight) -> Tally:
    """Count the findings of some parts against the line."""
    counts = dict.fromkeys(Tally.__dataclass_fields__, 0)
    for part in parts:
        counts["unreadable"] += part.unreadable is not None
        for finding in part.findings:
            counts["accepted"] += finding.accepted is not None
            counts["trial"] += finding.trial and finding.accepted is None
            if finding.counts:
                counts[f"{finding.weight.word}s"] += 1
                counts["below"] += finding.weight < line
        counts["not_run"] += len(part.ended[Outcome.NOT_RUN])
        counts["broke"] += len(part.ended[Outcome.BROKE])
    return Tally(**counts)


@dataclass(frozen=True)
class Group:
    """The findings of one rule on one part that are of one kind of say: counted, or shown only."""

    rule: int
    name: str
    weight: Weight
    findings: tuple[Finding, ...]


def groups(findings: Iterable[Finding]) -> list[Group]:
    """Findings by rule, the worst rule first and the worst place first in each."""
    by_rule: dict[int, list[Finding]] = {}
    for finding in findings:
        by_rule.setdefault(finding.rule, []).append(finding)
    made = [Group(number, found[0].name, max(f.weight for f in found), tuple(found)) for number, found in by_rule.items()]
    return sorted(made, key=lambda g: (-g.weight, g.rule))


def not_run_reasons(part: PartReport) -> dict[str, list[RuleResult]]:
    """The rules that were not run, by the reason."""
    reasons: dict[str, list[RuleResult]] = {}
    for result in part.ended[Outcome.NOT_RUN]:
        reasons.setdefault(result.why, []).append(result)
    return reasons


def rules_text(numbers: Iterable[int]) -> str:
    """Rule numbers as a phrase: "rule 4", "rules 4, 5 and 9"."""
    texts = [str(n) for n in numbers]
    return f"rule{'' if len(texts) == 1 else 's'} {listed(texts)}"


def hidden_text(counts: Tally, line: Weight) -> str:
    """What was left out of the exit code, in words; empty when nothing was."""
    said = []
    if counts.below:
        said.append(f"{counts.below:,} below the line ({line.word})")
    if counts.accepted:
        said.append(f"{counts.accepted:,} accepted in the ledger")
    if counts.trial:
        said.append(f"{counts.trial:,} by rules on trial")
    return ", ".join(said)


def exit_text(report: Report) -> str:
    """The exit code and what it means, in words."""
    code = report.exit_code()
    if report.idle and not report.parts:
        return f"exit 0: {report.idle}"
    if code == 0:
        return f"exit 0: nothing that is a {LINE_WORDS[report.line]}"
    if code == 1:
        return f"exit 1: something is a {LINE_WORDS[report.line]}"
    counts = tally(report.parts, report.line)
    if not report.parts:
        why = "no part was found"
    elif report.mended is not None and report.mended.broke:
        why = "a fix broke its promise, so nothing was written"
    elif counts.unreadable:
        why = f"{many(counts.unreadable, 'part')} could not be judged"
    else:
        why = "a rule broke, which is a bug of buckwright"
    return f"exit 2: the job could not be done: {why}"
