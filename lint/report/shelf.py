"""The shelf: one row a part, as a table for the terminal, Markdown or CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from lint.report.markdown import escaped
from lint.report.plain import shown

HEAD = ("part", "body", "side", "size mm", "print g", "stop", "caution", "note", "accepted", "changed")


@dataclass(frozen=True)
class Row:
    """One part. size: box in mm; grams: of the finished print, for a solid, from 15 % filled to full; counts of what is not accepted.

    unreadable: why nothing could be said.
    """

    part: str
    body: str = ""
    side: str = ""
    size: tuple[float, float, float] | None = None
    grams: tuple[float, float] | None = None
    stops: int = 0
    cautions: int = 0
    notes: int = 0
    accepted: int = 0
    changed: str = ""
    unreadable: str | None = None

    def cells(self) -> tuple[str, ...]:
        """The row as text, in the order of HEAD."""
        size = " x ".join(f"{v:.0f}" for v in self.size) if self.size else "unknown"
        grams = f"{self.grams[0]:.0f} to {self.grams[1]:.0f}" if self.grams else "unknown"
        if self.unreadable is not None:
            return (self.part, self.body, self.side, "not read", "", "", "", "", "", self.changed)
        counts = (self.stops, self.cautions, self.notes, self.accepted)
        return (self.part, self.body, self.side, size, grams, *(str(c) for c in counts), self.changed)


def as_csv(rows: Sequence[Row]) -> str:
    """Comma-separated, RFC 4180. A cell that a spreadsheet would take for a formula is led by an apostrophe."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEAD)
    for row in rows:
        writer.writerow([f"'{c}" if c[:1] in ("=", "+", "-", "@", "\t", "\r") else c for c in row.cells()])
    return out.getvalue()


def as_markdown(rows: Sequence[Row]) -> str:
    """A Markdown table, with what could not be read listed under it."""
    lines = ["| " + " | ".join(HEAD) + " |", "|" + "---|" * len(HEAD)]
    lines += ["| " + " | ".join(escaped(c) for c in row.cells()) + " |" for row in rows]
    unread = [f"- {escaped(row.unreadable)}" for row in rows if row.unreadable is not None]
    return "\n".join([*lines, "", summary(rows), *(["", *unread] if unread else [])]) + "\n"


def as_text(rows: Sequence[Row]) -> str:
    """Columns for a terminal, numbers to the right; no colour is needed to read it."""
    table = [HEAD, *(tuple(shown(c) for c in row.cells()) for row in rows)]
    wide = [max(len(line[k]) for line in table) for k in range(len(HEAD))]
    right = {4, 5, 6, 7, 8}

    def line_of(cells: Sequence[str]) -> str:
        return "  ".join(c.rjust(w) if k in right else c.ljust(w) for k, (c, w) in enumerate(zip(cells, wide, strict=True))).rstrip()

    lines = [line_of(cells) for cells in table]
    lines.insert(1, "  ".join("-" * w for w in wide))
    unread = [shown(row.unreadable) for row in rows if row.unreadable is not None]
    return "\n".join([*lines, "", summary(rows), *unread]) + "\n"


def summary(rows: Sequence[Row]) -> str:
    """How many parts, and how many of them would not print as they are."""
    held = sum(1 for r in rows if r.stops)
    unread = sum(1 for r in rows if r.unreadable is not None)
    return f"{len(rows)} parts, {held} with a stop" + (f", {unread} not read" if unread else "")
