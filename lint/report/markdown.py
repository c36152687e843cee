"""Markdown: a summary for a pull request. Everything that comes from a file or its name is escaped."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from urllib.parse import quote

from lint.report.data import path_data
from lint.report.plain import UNIT_WORDS, amount, measured_text, place_text, shown
from lint.report.tally import Group, exit_text, groups, hidden_text, not_run_reasons, rules_text, tally
from lint.terms import Finding, Outcome, PartReport, Report

PLACES = 3


_ESCAPES = (
    (re.compile(r"([\\`*_\[\]<>|~@&$#])"), r"\\\1"),
    (re.compile(r"(\\[@#])(?=\w)"), r"\1<!-- -->"),  # a code host looks for mentions and numbers after the Markdown is read
    (re.compile(r":(?=//)"), r"\\:"),
    (re.compile(r"\b(www)\.", re.I), r"\1\\."),
    (re.compile(r"^([-+=])"), r"\\\1"),
    (re.compile(r"^(\d+)([.)])"), r"\1\\\2"),
)


def escaped(text: str) -> str:
    """Text that no Markdown reader takes for markup, a link, a mention or a reference to another issue."""
    text = shown(text)
    for pattern, safe in _ESCAPES:
        text = pattern.sub(safe, text)
    return text


def render(report: Report, pictures: Mapping[Path, str] = MappingProxyType({})) -> str:
    """The whole report as Markdown text, ending in a line break. pictures: files that stand beside the report, by part."""
    counts = tally(report.parts, report.line)
    lines = [f"## buckwright: {counts.weights_text()}", ""]
    if report.parts:
        lines += ["| part | stop | caution | note | not run |", "|---|---|---|---|---|"]
        lines += [_row(part, report) for part in report.parts]
        lines.append("")
    for part in report.parts:
        if part.unreadable is not None or part.findings or part.ended[Outcome.BROKE]:
            lines += [*_part(part, pictures.get(part.path)), ""]
    hidden = hidden_text(counts, report.line)
    if hidden:
        lines += [f"Not counted: {escaped(hidden)}", ""]
    lines.append(escaped(exit_text(report)) + f" (buckwright {escaped(report.version)}, edition {report.edition})")
    return "\n".join(lines) + "\n"


def _row(part: PartReport, report: Report) -> str:
    counts = tally([part], report.line)
    if part.unreadable is not None:
        return f"| {escaped(path_data(part.path))} | not judged | | | |"
    return f"| {escaped(path_data(part.path))} | {counts.stops} | {counts.cautions} | {counts.notes} | {counts.not_run} |"


def _part(part: PartReport, picture: str | None = None) -> list[str]:
    lines = [f"### {escaped(path_data(part.path))}", ""]
    if part.unreadable is not None:
        return [*lines, f"**not judged**: {escaped(part.unreadable)}"]
    facts = [f"{part.faces:,} faces"]
    if part.extents is not None:
        facts.append(" x ".join(f"{v:.1f}" for v in part.extents) + " mm")
    units = part.part.units if part.part is not None else None
    facts.append(f"units: {UNIT_WORDS[units]}" if units else "units unknown")
    lines += [escaped(", ".join(facts)), ""]
    if picture is not None:
        lines += [f"![drawing of the part with its findings numbered](<{quote(picture, errors='surrogateescape')}>)", ""]
    for result in part.ended[Outcome.BROKE]:
        lines.append(f"- **broke**, rule {result.number}, {escaped(result.name)}: {escaped(result.why)}")
    counted = groups(f for f in part.findings if f.counts)
    shown_only = groups(f for f in part.findings if not f.counts)
    for group in counted:
        lines += _group(group, part)
    for group in shown_only:
        lines += [_shown_only(f) for f in group.findings]
    for why, results in not_run_reasons(part).items():
        lines.append(f"- not run: {rules_text(r.number for r in results)}: {escaped(why)}")
    return lines


def _group(group: Group, part: PartReport) -> list[str]:
    lines = [f"- **{group.weight.word}**, rule {group.rule}, {escaped(group.name)}"]
    for finding in group.findings[:PLACES]:
        where = "; " + place_text(finding.place, "mm" if part.extents else "") if finding.place else ""
        lines.append(f"  - {escaped(finding.message)} ({escaped(measured_text(finding) + where)})")
    if len(group.findings) > PLACES:
        lines.append(f"  - and {len(group.findings) - PLACES} more")
    return lines


def _shown_only(finding: Finding) -> str:
    why = f"accepted: {finding.accepted}" if finding.accepted is not None else "on trial, not counted"
    value = escaped(amount(finding.measured, finding.unit))
    return f"- {finding.weight.word}, rule {finding.rule}, {escaped(finding.name)}: {value} ({escaped(why)})"
