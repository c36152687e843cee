"""buckwright size: mark a length you know on a scan, in its ticket."""

from __future__ import annotations

import argparse

import numpy as np

from lint.commands import screen
from lint.commands.shelves import Facts, read_part
from lint.commands.ticket import default_path
from lint.load.ticket import add_lengths, find_ticket
from lint.report.plain import UNIT_WORDS, amount, number, path_text, shown
from lint.terms import MM_PER_UNIT, BadInput, Part
from lint.ticket import Length

# A length told by hand on a phone scan is good to a few parts in a hundred; nearer than that to a unit, the unit is named.
NEAR = 0.05


def run(args: argparse.Namespace) -> int:
    """Write one reference length into the ticket. Raises BadInput for points, lengths or tickets that cannot be used."""
    marked = (args.start is not None) + (args.end is not None) + (args.true is not None)
    if marked not in (0, 3):
        raise BadInput("a length takes all three: --from X,Y,Z --to-point X,Y,Z --true MM")
    ways = (marked == 3) + (args.ball is not None) + (args.bar is not None)
    if ways != 1:
        raise BadInput("say one length: --from X,Y,Z --to-point X,Y,Z --true MM, or --ball MM, or --bar MM")
    part = read_part(args.path, Facts(args.ticket)).part
    start, end, true = args.start, args.end, args.true
    measured = float(np.linalg.norm(np.subtract(*part.place_points([start, end]))))
    if measured == 0:
        raise BadInput(f"{args.path}: both ends are the same point, so they mark no length")
    ticket = args.ticket or find_ticket(args.path) or default_path(args.path)
    add_lengths(ticket, [Length(start, end, true, shown(args.name))], header_comment=f"Ticket of {shown(args.path.name)}")
    screen.put(f"wrote the length into {path_text(ticket)}\n{said(part, measured, true)}\n")
    return 0


def said(part: Part, measured: float, true: float) -> str:
    """What the length means for the part, in one or two plain lines."""
    factor = true / measured
    if part.units is not None:
        off = 100 * (measured / true - 1)
        way = "large" if off > 0 else "small"
        return f"the scan says {amount(measured, 'mm')} where {amount(true, 'mm')} is true: it is {abs(off):.2f} % too {way}"
    unit = next((u for u, mm in MM_PER_UNIT.items() if abs(factor / mm - 1) < NEAR), None)
    guess = f", so its numbers look like {UNIT_WORDS[unit]}" if unit else ""
    apart = f"the points are {number(measured)} apart in the file and {amount(true, 'mm')} in truth"
    return f"{apart}: one of its units is {number(factor)} mm{guess}"
