"""No ticket: nothing beside the part says what it is, how large it should be or what it is for.

At the bench: in a year nobody knows whether this was the left ear of the tin king or the right one of his double, nor against which
block it was measured. Half the rules cannot be run without those facts.

How it is measured: a ticket is looked for beside the part, first under its full name (troll-nose.stl.ticket.toml), then without the
ending (troll-nose.ticket.toml). The finding counts how many tickets there are: none.

Limit: one ticket a part (a convention of this project). A note on its own bench, a caution on a shelf that others share, which is
any folder under a shop.toml.

What mends it: `buckwright ticket PATH` prints one to fill in, with what the file already tells.

When it is wrong: a passing sketch that nobody will print twice. Switch the rule off in the shop file, with that reason.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from lint.terms import Finding, Part, Rule, Weight

if TYPE_CHECKING:
    from lint.settings import Settings

rule = Rule(
    number=70,
    name="no ticket",
    weight=Weight.NOTE,
    unit="tickets",
    cases={"none": "{measured:.0f} {unit} beside the part: nothing says what it is, its true size or its use"},
)


@rule.find
def find(part: Part, settings: Settings) -> Iterator[Finding]:
    """One finding when no ticket was read."""
    if part.ticket_path is None:
        yield rule.finding("none", 0, weight=Weight.CAUTION if settings.repository else Weight.NOTE)
