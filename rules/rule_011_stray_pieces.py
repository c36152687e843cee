"""Stray pieces: bits of hair, table and dust that are no part of the part.

At the bench: a scanner takes in whatever is near. Specks float in the air beside the part, hair stands off the head,
    a piece of table lies under the foot. Printed, they fall as loose thread into the work, and the base is set under
    the table instead of under the foot.
How it is measured: shells that touch, cross or hold one another are one piece. The largest piece is the part (not
    counting a flat open sheet beside it). Another piece is stray when it stands off the part and is small beside it:
    an open piece or one of very little skin, a closed piece of hardly any length. A flat open sheet that stands off
    is table, whatever its size. A small open crumb that touches the part only at points, and that no crack joins to
    it, hangs on it like lint. A sealed hollow smaller than a nozzle cube is a flaw in the file. Nearness is sampled,
    to a twenty-fourth of the piece's length.
Limit: an open piece is stray below a quarter of the part's length or 0.5 % of its skin, a closed one below a
    twentieth of the length: a closed shell can be meant, an open one cannot be printed. Common practice, no source.
What mends it: drop takes the piece out whole. What stays is not touched.
When it is wrong: small closed pieces that are wanted (a tooth, a peg beside the part): accept the finding in the
    ledger, or file them as parts of their own. Eyes and teeth that touch or cross the head are part of it; that is
    for rule 10.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from lint.measure.cracks import Cracks, crack_points
from lint.measure.edges import Edges, open_half_edges
from lint.measure.nesting import Nesting
from lint.measure.shells import Shells, around
from lint.measure.specks import Specks
from lint.measure.surface import Extent, Skin
from lint.terms import BoolArray, Finding, FloatArray, IntArray, Limit, Part, Place, Rule, Weight

MOST = 100

rule = Rule(
    number=11,
    name="stray pieces",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "loose": "a loose piece, {measured:.3g} {unit} long, stands {gap:.3g} {unit} off the part: "
        "scan dust or hair, it will print as loose thread",
        "table": "a flat open sheet, {measured:.3g} {unit} across, stands {gap:.3g} {unit} off the part: "
        "table or floor taken in by the scan",
        "crumb": "a crumb of open skin, {measured:.3g} {unit} long, hangs on the part by a point and encloses nothing",
        "void": "a sealed hollow of {measured:.3g} {unit}, smaller than the nozzle can leave: a flaw in the file, not a cavity",
        "many": "more stray pieces ({pieces}), the longest {measured:.3g} {unit}",
    },
    limits={
        "open": Limit(0.25, "of the part's length", "common practice, no source: an open piece cannot be printed, so it is not meant"),
        "closed": Limit(0.05, "of the part's length", "common practice, no source: a closed piece may be meant, so only tiny ones count"),
        "skin": Limit(0.005, "of the part's skin", "common practice, no source: a strand of hair is long but has next to no skin"),
        "flat": Limit(0.02, "of its own length", "common practice, no source: a scanned table is flat to a few mm in a few hundred"),
        "crumb": Limit(0.03, "of the part's length", "common practice, no source: below the size of any feature worth a patch"),
        "void": Limit(lambda s: s.nozzle**3, "mm3", "one nozzle cubed: less than the bead that would have to go round it (facts 1.2.1)"),
        "crack": Limit(1e-4, "of the part's diagonal", "as rule 2: a shell joined by cracks is part of the skin"),
    },
    fix="drop",
)


@rule.find
def find(
    part: Part, skin: Skin, edges: Edges, extent: Extent, shells: Shells, nesting: Nesting, cracks: Cracks, specks: Specks,
    limits: Mapping[str, float],
) -> Iterator[Finding]:  # fmt: skip
    """One finding a piece, the longest first; beyond a hundred, the rest together."""
    if shells.count < 2:
        return
    whole = float(specks.length[specks.main])
    length, share = specks.length / whole, specks.area / specks.area[specks.main]
    bound = np.where(specks.closed, limits["closed"], limits["open"])
    flat = (specks.flat < limits["flat"]) & (specks.flat[specks.main] >= limits["flat"])
    table = ~specks.closed & flat & (length >= bound) & (share >= limits["skin"])
    stray = (length < bound) | (~specks.closed & (share < limits["skin"])) | table
    stray[specks.main] = False
    by_piece = np.argsort(specks.piece, kind="stable")
    first = np.searchsorted(specks.piece[by_piece], np.arange(specks.count + 1))
    found = [
        _Stray("table" if table[p] else "loose", float(specks.length[p]), by_piece[first[p] : first[p + 1]], float(specks.gap[p]),
               None if table[p] or length[p] >= bound[p] else float(bound[p] * whole))
        for p in np.flatnonzero(stray)
    ]  # fmt: skip
    kept = ~stray[specks.piece]
    crumb = kept & ~shells.closed & (specks.shell_length < limits["crumb"] * whole)
    if crumb.any():
        crumb &= _cracked(skin, edges, shells, crack_points(cracks, limits["crack"] * extent.diagonal, len(skin.vertices))) < 0.5
    found += [_Stray("crumb", float(specks.shell_length[s]), np.array([s]), 0.0, limits["crumb"] * whole) for s in np.flatnonzero(crumb)]
    void = kept & nesting.cavity & (np.abs(np.where(shells.closed, shells.volume, np.inf)) < limits["void"]) & (part.units is not None)
    found += [_Stray("void", abs(float(shells.volume[s])), np.array([s]), 0.0, limits["void"]) for s in np.flatnonzero(void)]
    found.sort(key=lambda f: (f.case == "void", -f.measured))
    order = np.argsort(shells.label, kind="stable")
    begin = np.searchsorted(shells.label[order], np.arange(shells.count + 1))

    def place(*these: _Stray) -> Place:
        return around(skin, np.concatenate([order[begin[s] : begin[s + 1]] for t in these for s in t.shells]))

    for one in found[:MOST]:
        unit = "mm3" if one.case == "void" else part.length_unit
        yield rule.finding(one.case, one.measured, one.limit, place=place(one), unit=unit, sampled=one.case != "void", gap=one.gap)
    rest = found[MOST:]
    if rest:
        longest = max((f.measured for f in rest if f.case != "void"), default=0.0)
        yield rule.finding("many", longest, place=place(*rest), unit=part.length_unit, sampled=True, pieces=len(rest))


@dataclass(frozen=True)
class _Stray:
    case: str
    measured: float
    shells: IntArray
    gap: float
    limit: float | None


def _cracked(skin: Skin, edges: Edges, shells: Shells, on_crack: BoolArray) -> FloatArray:
    """(s,) the share of each shell's open edges that begin on a crack."""
    half = open_half_edges(edges)
    shell = shells.label[half // 3]
    on = on_crack[skin.faces[half // 3, half % 3]]
    number = np.bincount(shell, minlength=shells.count)
    share: FloatArray = np.bincount(shell, weights=on, minlength=shells.count) / np.maximum(number, 1)
    return share
