"""What to do next, made from the findings: what `fix` would mend, what waits for a word, a hand, or a line in the ticket."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

from lint.terms import Finding, Fix, Outcome, PartReport, Rule, Touch, Weight

# The line to write in a ticket for a fact that a rule needs (the names of Rule.needs). Facts that most parts rightly lack, such as
# a pair or caliper readings, are left to the reason why the rule was not run.
TICKET_LINES: Mapping[str, str] = {
    "units": '[part] units = "mm"  (or cm, m, in)',
    "part.body": '[part] body = "nose"  (or ear, face, head, hand, foot, limb)',
    "use.pull": "[use] pull = [0, 0, 1]  (the way the mould comes off)",
    "print.bed": "[print] bed = [220, 220, 250]  (your machine, in mm)",
    "use.margin": "[use] margin = 25.0  (mm of land around the feature)",
    "use.mould": '[use] mould = "rigid"  (or flexible)',
    "use.clay": "[use] clay = 8.0  (mm of clay at its thickest)",
}

_HEADINGS = ("At the bench", "How it is measured", "Limit", "What mends it", "When it is wrong", "Caution")


@dataclass(frozen=True)
class Advice:
    """Next steps for one part. Findings that are accepted or on trial call for nothing.

    mends: fixes that the plain command would try, with the findings that call for each.
    asks: fixes that change what the maker gets and so run only when asked for.
    hands: rules that nothing here mends, with what their page says to do.
    facts: ticket lines wanted, with the rules that wait for each.
    """

    mends: Mapping[str, tuple[Finding, ...]]
    asks: Mapping[str, tuple[Finding, ...]]
    hands: Mapping[int, str]
    facts: Mapping[str, tuple[int, ...]]

    def __bool__(self) -> bool:
        return bool(self.mends or self.asks or self.hands or self.facts)


def advise(part: PartReport, rules: Mapping[int, Rule], fixes: Mapping[str, Fix]) -> Advice:
    """Next steps for one part."""
    mends: dict[str, list[Finding]] = {}
    asks: dict[str, list[Finding]] = {}
    hands: dict[int, str] = {}
    for finding in part.findings:
        if not finding.counts:
            continue
        fix = fixes.get(finding.fix or "")
        if fix is None:
            hands.setdefault(finding.rule, _by_hand(rules.get(finding.rule)))
        elif _runs_unasked(fix, finding):
            mends.setdefault(fix.name, []).append(finding)
        else:
            asks.setdefault(fix.name, []).append(finding)
    facts: dict[str, list[int]] = {}
    told = part.part is not None and part.part.ticket.part.body == "other"  # no table knows it, and the maker has said so
    for result in part.ended[Outcome.NOT_RUN]:
        if result.missing in TICKET_LINES and not (told and result.missing == "part.body"):
            facts.setdefault(TICKET_LINES[result.missing], []).append(result.number)
    in_order = [name for name in fixes if name in mends]
    return Advice(
        {name: tuple(mends[name]) for name in in_order},
        {name: tuple(asks[name]) for name in fixes if name in asks},
        hands,
        {line: tuple(sorted(numbers)) for line, numbers in facts.items()},
    )


def _runs_unasked(fix: Fix, finding: Finding) -> bool:
    if fix.on_demand:
        return fix.for_stop and finding.weight is Weight.STOP
    return finding.weight >= Weight.CAUTION or fix.touch is Touch.RECORD


def _by_hand(rule: Rule | None) -> str:
    if rule is None:
        return ""
    text = section(rule.page, "What mends it")
    first = first_sentence(text)
    return (first if len(first) >= 40 else text.rstrip(".")) or f"see `buckwright rules {rule.number}`"


@cache
def section(page: str, heading: str) -> str:
    """One section of a rule's page as a single line; empty when the page has no such heading."""
    others = "|".join(_HEADINGS)
    match = re.search(rf"^{heading}:(.*?)(?=^(?:{others}):|\Z)", page, flags=re.M | re.S)
    return " ".join(match[1].split()) if match else ""


@cache
def first_sentence(text: str) -> str:
    """The first sentence of a text, without its full stop."""
    return re.split(r"(?<=[a-z0-9)`])\.\s+(?=[A-Z`])", text, maxsplit=1)[0].rstrip(". ")


def cautions(part: PartReport, rules: Mapping[int, Rule]) -> dict[int, str]:
    """The safety caution of each rule that spoke, by rule number."""
    spoke = [r.number for r in part.ended[Outcome.FOUND]]
    texts = {number: section(rules[number].page, "Caution") for number in spoke if number in rules}
    return {number: text for number, text in texts.items() if text}
