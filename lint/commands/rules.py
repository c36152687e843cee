"""buckwright rules: the catalogue, or one rule's page."""

from __future__ import annotations

import argparse

from lint.commands import screen
from lint.commands.listing import listing_of
from lint.report.catalogue import page, table
from lint.rooms import fixes_at_hand, rooms
from lint.store import open_store
from lint.terms import BadInput


def run(args: argparse.Namespace) -> int:
    """Print the list or one page. Raises BadInput for a number that is no rule."""
    if args.number is None:
        listed = listing_of(open_store())
        screen.put(table(listed.rules, listed.fixes))
        return 0
    if args.number not in rooms():
        raise BadInput(f"rule {args.number}: there is no such rule; `buckwright rules` lists them")
    screen.put(page(rooms()[args.number], fixes_at_hand()))
    return 0
