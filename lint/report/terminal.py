"""The terminal report: each part by rule, worst first, then what to do next in the words of the bench."""

from __future__ import annotations

import re
import shlex
from collections.abc import Mapping, Sequence
from pathlib import Path

from lint.report.advice import TICKET_LINES, Advice, advise, cautions
from lint.report.plain import UNIT_WORDS, limit_beside, listed, many, measured_text, path_text, place_text
from lint.report.sheet import Sheet
from lint.report.sketch import COLUMNS
from lint.report.tally import Group, exit_text, groups, hidden_text, not_run_reasons, rules_text, tally
from lint.report.together import Together, together
from lint.terms import Finding, Fix, Outcome, PartReport, Report, Rule

PLACES = 3


class Drafts:
    """Texts of single parts, written before all of a run are judged; what all parts are told together may turn out otherwise, and then
    they are written anew."""

    def __init__(self, rules: Mapping[int, Rule], fixes: Mapping[str, Fix], *, width: int = 80, colour: bool = False) -> None:
        self.rules, self.fixes, self.width, self.colour = rules, fixes, width, colour
        self._advices: dict[int, tuple[PartReport, Advice]] = {}  # by identity, so the parts are held on to
        self._texts: dict[int, tuple[str, str]] = {}

    def write(self, parts: Sequence[PartReport]) -> None:
        """Write the texts of these parts as if there were no others, where none is there yet."""
        shared = self.together(parts)
        for part in parts:
            if id(part) not in self._texts:
                self.text(part, shared)

    def together(self, parts: Sequence[PartReport]) -> Together:
        """What is said for several of these parts at once."""
        judged = [part for part in parts if part.unreadable is None]
        return together(judged, [self._advice(part) for part in judged])

    def text(self, part: PartReport, shared: Together) -> str:
        """All that is said of one part alone."""
        key, text = self._texts.get(id(part), ("", ""))
        if key != shared.key:
            sheet = Sheet(self.width, self.colour)
            show_part(sheet, part, self.rules, shared)
            if part.unreadable is None:
                show_advice(sheet, part, shared.own(self._advice(part)))
            sheet.line()
            text = sheet.text()
            self.take(part, shared.key, text)
        return text

    def written(self, parts: Sequence[PartReport]) -> tuple[str, dict[Path, str]]:
        """What is said of each of these parts alone, by its path, and the key of what is said for several."""
        shared = self.together(parts)
        return shared.key, {part.path: self.text(part, shared) for part in parts}

    def take(self, part: PartReport, key: str, text: str) -> None:
        """Take the text of a part as written, where what is said for several parts has this key."""
        self._advice(part)
        self._texts[id(part)] = (key, text)

    def _advice(self, part: PartReport) -> Advice:
        if id(part) not in self._advices:
            self._advices[id(part)] = (part, advise(part, self.rules, self.fixes))
        return self._advices[id(part)][1]


def render(report: Report, rules: Mapping[int, Rule], fixes: Mapping[str, Fix], *, width: int = 80, colour: bool = False) -> str:
    """The whole report as text for a terminal `width` columns wide, ending in a line break."""
    return render_drafted(report, Drafts(rules, fixes, width=width, colour=colour))


def render_drafted(report: Report, drafts: Drafts) -> str:
    """As `render`, with what has been written already."""
    shared = drafts.together(report.parts)
    sheet = Sheet(drafts.width, drafts.colour)
    _show_shared(sheet, shared, sum(part.unreadable is None for part in report.parts))
    show_last(sheet, report)
    return "".join(drafts.text(part, shared) for part in report.parts) + sheet.text()


def show_part(sheet: Sheet, part: PartReport, rules: Mapping[int, Rule], shared: Together | None = None) -> None:
    """One part: its head line, its findings by rule, what was not run and what is not counted; not what is said for all parts."""
    show_head(sheet, part)
    if part.unreadable is not None:
        return
    for note in part.notes:
        sheet.line(note, indent=2)
    if "sketch" in part.pictures:
        sheet.drawing(part.pictures["sketch"].decode("utf-8"), COLUMNS)
    safety = cautions(part, rules)
    broke = part.ended[Outcome.BROKE]
    for result in broke:
        sheet.entry("broke", f"rule {result.number}, {result.name}: {result.why}")
    counted = groups(f for f in part.findings if f.counts)
    for group in counted:
        _show_group(sheet, group, part, safety.get(group.rule))
    for finding in part.findings:
        if not finding.counts:
            _show_uncounted(sheet, finding)
    if not part.findings and not broke:
        sheet.entry("clean", f"{many(len(part.ended[Outcome.CLEAN]), 'rule')} found nothing")
    for why, results in not_run_reasons(part).items():
        if shared is None or why not in shared.reasons:
            sheet.entry("not run", f"{rules_text(r.number for r in results)}: {why}", "dim")


def show_head(sheet: Sheet, part: PartReport) -> None:
    """Name, faces, size, and the units with who said so."""
    sheet.line(path_text(part.path), "bold underline")
    if part.unreadable is not None:
        sheet.entry("not judged", part.unreadable.removeprefix(f"{part.path}: "))
        return
    facts = [many(part.faces, "face")]
    if part.extents is not None:
        facts.append(" x ".join(f"{v:,.1f}" for v in part.extents) + " mm")
    units = part.part.units if part.part is not None else None
    if units is None:
        facts.append("units unknown")
    else:
        said = part.part.units_from if part.part is not None else ""
        facts.append(f"units: {UNIT_WORDS[units]}" + (f", from {said}" if said else ""))
    sheet.line(", ".join(facts), indent=2)


def _show_group(sheet: Sheet, group: Group, part: PartReport, caution: str | None) -> None:
    places = f", {many(len(group.findings), 'place')}" if len(group.findings) > 1 else ""
    sheet.entry(group.weight.word, f"{group.name} (rule {group.rule}){places}", "bold")
    for finding in group.findings[:PLACES]:
        lighter = f"{finding.weight.word}: " if finding.weight != group.weight else ""
        sheet.more(lighter + finding.message)
        where = [] if in_the_words(finding) else [measured_text(finding)]
        if finding.place is not None:
            where.append(place_text(finding.place, part.part.length_unit if part.part is not None else "mm"))
        if where:
            sheet.more("  " + ", ".join(where), "dim")
        for what, place in finding.related:
            sheet.more(f"  {what}: {place_text(place)}", "dim")
    if len(group.findings) > PLACES:
        sheet.more(f"and {len(group.findings) - PLACES} more")
    if caution:
        sheet.more(f"take care: {caution}", "italic")


def in_the_words(finding: Finding) -> bool:
    """Whether the sentence holds both numbers already, if rounded, so that saying them again would only be noise."""
    said = re.findall(r"\d[\d,]*(?:\.\d+)?", finding.message)
    numbers = [x for x in (finding.measured, limit_beside(finding)) if x is not None]
    return not finding.sampled and all(any(_rounds_to(value, text) for text in said) for value in numbers)


def _rounds_to(value: float, text: str) -> bool:
    decimals = len(text.partition(".")[2])
    return abs(abs(value) - float(text.replace(",", ""))) <= 0.5000001 * 10.0**-decimals


def _show_uncounted(sheet: Sheet, finding: Finding) -> None:
    what = f"{finding.weight.word}, {finding.name} (rule {finding.rule}): {finding.message}"
    if finding.accepted is not None:
        sheet.entry("accepted", f"{what}; because {finding.accepted}", "dim")
    else:
        sheet.entry("on trial", what, "dim")


def show_advice(sheet: Sheet, part: PartReport, advice: Advice) -> None:
    """What to do next with one part."""
    if not advice:
        return
    sheet.line()
    sheet.line("what to do next", "bold", indent=2)
    first = {line: numbers for line, numbers in advice.facts.items() if line == TICKET_LINES["units"]}
    _show_facts(sheet, first)
    if advice.mends:
        called = sorted({f.rule for found in advice.mends.values() for f in found})
        sheet.entry("mend", fix_command(part.path))
        once = "once the units are said, " if first else ""
        sheet.more(f"{once}tries {listed(tuple(advice.mends))} for {rules_text(called)}, measures what came of it, leaves your file alone")
    for name, found in advice.asks.items():
        rule_names = dict.fromkeys(f"{f.name} (rule {f.rule})" for f in found)
        sheet.entry("or ask", f"add --step {shlex.quote(name)} for {listed(tuple(rule_names))}: it waits for your word")
    _show_facts(sheet, {line: numbers for line, numbers in advice.facts.items() if line not in first})
    for rule, how in advice.hands.items():
        sheet.entry("by hand", f"rule {rule}: {how}")


def _show_facts(sheet: Sheet, facts: Mapping[str, tuple[int, ...]]) -> None:
    for line, numbers in facts.items():
        sheet.entry("say", f"in the ticket: {line}; then {rules_text(numbers)} can be judged")


def _show_shared(sheet: Sheet, shared: Together, judged: int) -> None:
    if shared.reasons or shared.facts or shared.hands:
        sheet.line("of several parts", "bold underline")
    for why, numbers in shared.reasons.items():
        sheet.entry("not run", f"{rules_text(numbers)}, on none of the {judged}: {why}", "dim")
    for line, count in shared.facts.items():
        sheet.entry("say", f"in the tickets of {count:,}: {line}")
    for rule, (how, count) in shared.hands.items():
        sheet.entry("by hand", f"rule {rule}, on {count:,}: {how}")
    if shared.reasons or shared.facts or shared.hands:
        sheet.line()


def fix_command(path: Path) -> str:
    """The command line that mends a part, as it would be typed."""
    return f"buckwright fix {shlex.quote(path_text(path))} --to {shlex.quote(path_text(path.with_name(path.stem + '.buck.3mf')))}"


def show_last(sheet: Sheet, report: Report) -> None:
    """The count of everything, what was hidden from it, and the exit code in words."""
    counts = tally(report.parts, report.line)
    last = [f"{many(len(report.parts), 'part')}: {counts.weights_text()}"]
    if counts.not_run:
        last.append(f"{many(counts.not_run, 'rule')} not run")
    if counts.broke:
        last.append(f"{many(counts.broke, 'rule')} broke")
    if counts.unreadable:
        last.append(f"{many(counts.unreadable, 'part')} not judged")
    hidden = hidden_text(counts, report.line)
    if hidden:
        last.append(f"not counted: {hidden}")
    sheet.line("; ".join(last))
    told = sum(p.stored for p in report.parts)
    if told:
        which = f"{told:,} of them" if told < len(report.parts) else "all" if told > 1 else "it"
        sheet.line(f"{which} told from an earlier run, unchanged since; --fresh examines anew", "dim")
    sheet.line(exit_text(report), "bold")
