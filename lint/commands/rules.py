"""buckwright rules: the catalogue, or one rule's page."""

from __future__ import annotations

import argparse

from lint.commands import screen
from lint.report.catalogue import page, table
from lint.rooms import all_rules, fixes_at_hand
from lint.terms import BadInput


def run(args: argparse.Namespace) -> int:
    """Print the list or one page. Raises BadInput for a number that is no rule."""
    rules, fixes = all_rules(), fixes_at_hand()
    if args.number is None:
        screen.put(table(rules, fixes))
        return 0
    if args.number not in rules:
        raise BadInput(f"rule {args.number}: there is no such rule; `buckwright rules` lists them")
    screen.put(page(rules[args.number], fixes))
    return 0
