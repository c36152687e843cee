"""The shelf: one row a part, as a table for the terminal, Markdown or CSV, or as a page."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

from lint.report.markdown import escaped
from lint.report.plain import shown
from lint.view.frame import document, source, style, text

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


def as_page(rows: Sequence[Row]) -> str:
    """One HTML file that needs nothing but itself and runs nothing. A row with a stop says so in words as well as in numbers."""
    right = {4, 5, 6, 7, 8}
    head = "".join(f'<th scope="col"{_side(k in right)}>{text(name)}</th>' for k, name in enumerate(HEAD))
    lines = []
    for row in rows:
        first, *others = row.cells()
        weight = "not read" if row.unreadable is not None else "stop" if row.stops else "caution" if row.cautions else ""
        tag = f'<span class="weight {weight}">{weight}</span> ' if weight in ("stop", "caution") else ""
        cells = "".join(f"<td{_side(k in right)}>{text(cell)}</td>" for k, cell in enumerate(others, 1))
        lines.append(f'<tr><th scope="row">{tag}{text(first)}</th>{cells}</tr>')
    unread = "".join(f"<li>{text(row.unreadable)}</li>" for row in rows if row.unreadable is not None)
    body = (
        '<header class="card"><h1>The shelf</h1></header>\n<main>\n'
        f'<p class="sum">{text(summary(rows))}</p>\n'
        '<p class="aside">Sizes are those of the box around a part. What a print weighs depends on how far it is filled, '
        "from 15 % to full; it is told for a part that is closed.</p>\n"
        '<div class="contents" role="region" aria-label="The parts" tabindex="0"><table>'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{chr(10).join(lines)}\n</tbody></table></div>\n"
        + (f"<h2>Not read</h2>\n<ul>{unread}</ul>\n" if unread else "")
        + "</main>"
    )
    return document("The shelf", body, scripts=(), styles=(style(), source("card.css"), _NUMBERS))


# Numbers stand to the right, so that they can be compared down the column.
_NUMBERS = ".contents td.number, .contents th.number { text-align: right; }"


def _side(right: bool) -> str:
    return ' class="number"' if right else ""


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
