"""buckwright size: mark a length you know on a scan, in its ticket; or find the ball or bar of known size that was scanned along."""

from __future__ import annotations

import argparse

import msgspec
import numpy as np

from lint.commands import screen
from lint.commands.shelves import Facts, read_part
from lint.commands.ticket import default_path
from lint.load.ticket import add_lengths, find_ticket
from lint.report.plain import UNIT_WORDS, amount, number, path_text, shown
from lint.size import mark
from lint.terms import MM_PER_UNIT, BadInput, Part

# A length told by hand on a phone scan is good to a few parts in a hundred; nearer than that to a unit, the unit is named.
NEAR = 0.05


def run(args: argparse.Namespace) -> int:
    """Write one reference length into the ticket. Raises BadInput for points, lengths or tickets that cannot be used."""
    if sum(given is not None for given in (args.true, args.ball, args.bar)) != 1:
        raise BadInput("say one length: --from X,Y,Z --to-point X,Y,Z --true MM; or --ball MM; or --bar MM")
    if args.true is None and args.end is not None:
        raise BadInput("--to-point goes with --true; for a ball or a bar, --from alone says near which spot to look")
    part = read_part(args.path, Facts(args.ticket)).part
    with screen.Progress(screen.doing(args.path, "looking for the length")):
        length, how = mark(part, args.true, args.start, args.end, args.ball, args.bar)
    if args.name:
        length = msgspec.structs.replace(length, name=shown(args.name))
    ticket = args.ticket or find_ticket(args.path) or default_path(args.path)
    add_lengths(ticket, [length], header_comment=f"Ticket of {shown(args.path.name)}")
    measured = float(np.linalg.norm(np.subtract(*part.place_points([length.from_, length.to]))))
    screen.put(f"{shown(how)}\n{said(part, measured, length.true)}\nwrote the length into {path_text(ticket)}\n")
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
