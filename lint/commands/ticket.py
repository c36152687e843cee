"""buckwright ticket: a ticket to fill in, with what the file already tells."""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np

from lint.commands import screen
from lint.load import read
from lint.load.ticket import find_ticket
from lint.report.plain import UNIT_WORDS, amount, many, path_text, shown
from lint.save.atomic import swap_in
from lint.terms import BadInput, Part

# Every fact a ticket can hold, ready to be uncommented; the values are examples and change nothing while they are commented out.
FORM = """\
# body = "nose"            # ear, nose, face, head, hand, foot, limb, other
# side = "none"            # left, right, none
# pair = "the-other.stl"   # the file of its mirror image, when it is one of a pair
# code = "T1"              # a short mark to put on the base

# A length you know on the scan: two points in the file's own numbers, and the true distance in mm.
# `buckwright size` writes this for you.
# [[length]]
# from = [0.0, 0.0, 0.0]
# to = [40.0, 0.0, 0.0]
# true = 40.0

# After printing: what the calipers say between two points of the part.
# [[caliper]]
# name = "nostril to nostril"
# from = [0.0, 0.0, 0.0]
# to = [38.0, 0.0, 0.0]
# read = 38.2

# The machine.
# [print]
# process = "extrusion"    # or "resin"
# nozzle = 0.4
# layer = 0.2
# bed = [220.0, 220.0, 250.0]

# What the buck is for (lengths in mm).
# [use]
# mould = "rigid"          # or "flexible"
# pull = [0.0, 0.0, 1.0]   # the way the mould comes off
# wall = 3.0               # wall of a hollow buck
# margin = 25.0            # flat land around the feature
# base = 10.0              # height of the base
# corner = 0.0             # rounding of the base's corners
# clay = 8.0               # clay at its thickest

# How far a fix may go, and what you want besides what the part needs.
# [fix]
# allow = "skin"           # record, piece, inside, skin
# steps = ["seat", "hollow", "drain"]
"""


def run(args: argparse.Namespace) -> int:
    """Print the form, or write it to a new file. Raises BadInput when that file exists, or the part cannot be read."""
    text = form(read(args.path))
    if args.to is None:
        screen.put(text)
        if find_ticket(args.path) is None:
            screen.told(f"keep it beside the part as {path_text(default_path(args.path))} (--to FILE writes it)")
        return 0
    if args.to.exists():
        raise BadInput(f"{args.to}: there is a file of that name, and it is never written over: give --to another")
    if not args.to.name.endswith(".toml"):
        raise BadInput(f"{args.to}: a ticket ends in .ticket.toml, or it will not be found")
    swap_in(args.to, text.encode("utf-8"))
    screen.put(f"wrote {path_text(args.to)}: fill in what you know; what is left out is never guessed\n")
    return 0


def form(part: Part) -> str:
    """The ticket to fill in, as TOML text."""
    return "\n".join([*_head(part), "", "[part]", _units(part), FORM])


def _head(part: Part) -> list[str]:
    name = shown(part.source.path.name)
    lines = [f"# Ticket of {name}. Take away the # before what you know; what is left out is never guessed."]
    size = f"# The file holds {many(len(part.faces), 'face')}"
    if len(part.vertices) and np.isfinite(part.vertices).all():
        span = part.vertices.max(axis=0) - part.vertices.min(axis=0)
        unit = "mm" if part.units is not None else "in numbers without a unit"
        size += f", {' x '.join(amount(float(v), '') for v in span)} {unit}"
    return [*lines, size + "."]


def _units(part: Part) -> str:
    if part.units is not None:
        return f'units = "{part.units}"{" " * (14 - len(part.units))}# {part.units_from} says {UNIT_WORDS[part.units]}'
    return '# units = "mm"             # the file does not say: mm, cm, m, in'


def default_path(path: Path) -> Path:
    """Where a new ticket of a part goes."""
    return path.with_name(path.name + ".ticket.toml")
