"""What the ledgers accept, marked in reports."""

from __future__ import annotations

import datetime
from dataclasses import replace
from pathlib import Path

from lint.commands.shelves import find_ledger, real
from lint.ledger import key_of, reconcile
from lint.load.ticket import read_ledger
from lint.terms import PartReport


def accepted(reports: list[PartReport], today: datetime.date) -> list[PartReport]:
    """The reports with what the ledger beside or above each part accepts marked, and entries that no longer apply noted."""
    by_ledger: dict[Path, list[int]] = {}
    by_folder: dict[Path, Path | None] = {}
    for index, report in enumerate(reports):
        folder = Path(real(report.path)).parent
        if folder not in by_folder:
            by_folder[folder] = find_ledger(report.path)
        ledger = by_folder[folder]
        if ledger is not None:
            by_ledger.setdefault(ledger, []).append(index)
    marked = list(reports)
    for ledger, indices in by_ledger.items():
        done = reconcile([reports[i] for i in indices], read_ledger(ledger), ledger.parent, today)
        notes: dict[str, list[str]] = {}
        for e in done.paid:
            notes.setdefault(e.part, []).append(f"paid, take it out of {ledger.name}: rule {e.rule}, {e.case} ({e.because})")
        for e in done.expired:
            notes.setdefault(e.part, []).append(f"past its last day in {ledger.name}: rule {e.rule}, {e.case} (until {e.until})")
        for index, report in zip(indices, done.reports, strict=True):
            more = notes.get(key_of(report.path, ledger.parent), []) if notes else []
            marked[index] = replace(report, notes=(*report.notes, *more)) if more else report
    return marked
