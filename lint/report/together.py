"""What a report of several parts would say of each in the same words, so that it is said once for all of them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from lint.report.advice import Advice
from lint.report.tally import not_run_reasons
from lint.terms import PartReport


@dataclass
class Together:
    """reasons: why some rules were not run on any part, with their numbers. facts: ticket lines wanted by several parts, and by
    how many; hands: rules that several parts leave to a person, what to do, and how many parts."""

    reasons: dict[str, tuple[int, ...]] = field(default_factory=dict)
    facts: dict[str, int] = field(default_factory=dict)
    hands: dict[int, tuple[str, int]] = field(default_factory=dict)

    @cached_property
    def key(self) -> str:
        """The digest of all that decides what is left for each part to say of itself."""
        said = repr((sorted(self.reasons), sorted(self.facts), sorted(self.hands)))
        return hashlib.sha256(said.encode("utf-8", "surrogatepass")).hexdigest()

    def own(self, advice: Advice) -> Advice:
        """The advice of one part without what is said for several."""
        facts = {line: numbers for line, numbers in advice.facts.items() if line not in self.facts}
        hands = {rule: how for rule, how in advice.hands.items() if rule not in self.hands}
        return replace(advice, facts=facts, hands=hands)


def together(parts: Sequence[PartReport], advices: Sequence[Advice]) -> Together:
    """What the parts share; nothing for a single part."""
    if len(parts) < 2:
        return Together()
    each = [{why: tuple(r.number for r in results) for why, results in not_run_reasons(part).items()} for part in parts]
    reasons = {why: numbers for why, numbers in each[0].items() if all(other.get(why) == numbers for other in each)}
    facts: dict[str, int] = {}
    hands: dict[int, tuple[str, int]] = {}
    for advice in advices:
        for line in advice.facts:
            facts[line] = facts.get(line, 0) + 1
        for rule, how in advice.hands.items():
            hands[rule] = (how, hands.get(rule, ("", 0))[1] + 1)
    return Together(reasons, {line: n for line, n in facts.items() if n > 1}, {r: h for r, h in sorted(hands.items()) if h[1] > 1})
