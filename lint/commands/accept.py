"""buckwright accept: write findings the shop lives with into the ledger, each with its reason."""

from __future__ import annotations

import argparse
from pathlib import Path

from lint.commands import screen
from lint.commands.lint import chosen
from lint.commands.looking import look
from lint.commands.running import How, Run
from lint.commands.shelves import Facts, find_ledger, find_parts
from lint.ledger import entries_for
from lint.load.ticket import LEDGER, add_accepted, find_shop
from lint.report.plain import many, path_text
from lint.terms import BadInput, PartReport


def run(args: argparse.Namespace) -> int:
    """Examine the parts and accept their findings. Raises BadInput, with nothing written, when any part cannot be read."""
    if not args.rule and not args.as_it_stands:
        raise BadInput("say which findings: --rule N, or --as-it-stands for every one there is today")
    rules = chosen(args.rule)
    paths = find_parts(args.paths)
    if not paths:
        named = ", ".join(path_text(p) for p in args.paths)
        raise BadInput(f"no parts matched: {named} holds no file that is a part; nothing was accepted")
    reports = look(paths, Run(Facts(), rules, tuple(paths)), How(args.jobs))
    unread = next((r for r in reports if r.unreadable is not None), None)
    if unread is not None:
        raise BadInput(f"{unread.unreadable}; nothing was accepted")
    by_ledger: dict[Path, list[PartReport]] = {}
    for report in reports:
        by_ledger.setdefault(_ledger_for(report.path), []).append(report)
    entries = {
        ledger: entries_for(group, ledger.parent, args.because, rules=rules, until=args.until) for ledger, group in by_ledger.items()
    }
    for ledger, added in entries.items():
        if added:
            add_accepted(ledger, added)
            screen.told(f"{path_text(ledger)}: {many(len(added), 'finding')} accepted: {args.because}")
    if not any(entries.values()):
        screen.told("there was nothing to accept")
    return 0


def _ledger_for(part: Path) -> Path:
    """The ledger of a part: the one above it, else one to be made beside the shop file, else beside the part."""
    found = find_ledger(part)
    if found is not None:
        return found
    shop = find_shop(part.resolve().parent)
    return (shop.parent if shop is not None else part.resolve().parent) / LEDGER
