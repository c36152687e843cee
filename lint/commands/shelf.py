"""buckwright shelf: one table of a whole collection."""

from __future__ import annotations

import argparse
import datetime
import subprocess
from pathlib import Path

from lint.commands import screen
from lint.commands.looking import look
from lint.commands.running import How, Run
from lint.commands.shelves import Facts, find_parts
from lint.report import shelf
from lint.report.plain import path_text
from lint.terms import BadInput, PartReport, Weight

FORMS = {"terminal": shelf.as_text, "markdown": shelf.as_markdown, "csv": shelf.as_csv, "page": shelf.as_page}

# Weight of a print: 1.24 g/cm3 for PLA, 1.15 for cured resin (data sheets, from memory). A print is filled between 15 %
# and full by the maker's choice, so the weight is a range; a hollow part's own cavity is already off its volume.
_DENSITY = {"extrusion": 1.24, "resin": 1.15}
_LEAST_FILL = {"extrusion": 0.15, "resin": 1.0}


def run(args: argparse.Namespace) -> int:
    """Examine every part and write the table. 0 unless a part could not be read: the table is a survey, not a gate."""
    paths = find_parts(args.paths)
    if not paths:
        raise BadInput(f"no parts matched: {', '.join(path_text(p) for p in args.paths)} holds no file that is a part")
    rows = [_row(report) for report in look(paths, Run(Facts(), None, tuple(paths)), How(args.jobs))]
    text = FORMS[args.form](rows)
    if args.to is None:
        screen.put(text, machine=args.form in ("csv", "page"))
    else:
        screen.write(args.to, text)
    return 2 if any(row.unreadable is not None for row in rows) else 0


def _row(report: PartReport) -> shelf.Row:
    name = path_text(report.path)
    if report.unreadable is not None or report.part is None:
        return shelf.Row(name, changed=_changed(report.path), unreadable=report.unreadable or "not read")
    table = report.part.ticket.part
    counted = [f for f in report.findings if f.counts]
    return shelf.Row(
        part=name,
        body=table.body or "",
        side="" if table.side == "none" else table.side,
        size=report.extents,
        grams=_grams(report),
        stops=sum(f.weight is Weight.STOP for f in counted),
        cautions=sum(f.weight is Weight.CAUTION for f in counted),
        notes=sum(f.weight is Weight.NOTE for f in counted),
        accepted=sum(f.accepted is not None for f in report.findings),
        changed=_changed(report.path),
    )


def _grams(report: PartReport) -> tuple[float, float] | None:
    if report.volume is None or report.volume <= 0 or report.extents is None:
        return None
    process = report.settings.process if report.settings is not None else "extrusion"
    full = report.volume / 1000 * _DENSITY[process]
    return (full * _LEAST_FILL[process], full)


def _changed(path: Path) -> str:
    """The day of the last commit that touched the part, else of the file itself."""
    try:
        asked = ["git", "-C", str(path.absolute().parent), "log", "-1", "--format=%cs", "--", path.name]
        done = subprocess.run(asked, capture_output=True, text=True, check=False)
        if done.returncode == 0 and done.stdout.strip():
            return done.stdout.strip()
    except OSError:
        pass  # no git on this machine: the file's own day will do
    try:
        return datetime.date.fromtimestamp(path.stat().st_mtime).isoformat()
    except OSError:
        return ""
