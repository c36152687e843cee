"""Skin through skin: the skin passes through itself, or lies double on itself.

At the bench: where skin runs through skin, inside and outside change places. The printing program guesses which is meant: it may leave
    a slit, a hollow or a loose flap there, and sculptable skin can end up buried. Closed fingers, eyelids and lips are the usual places.
How it is measured: every face against every other whose box it meets, in 64-bit numbers, by separating axes; nothing is sampled.
    Faces that only touch, or that meet in a shared point or edge, are no crossing. Crossings that hang together are one finding. Its number
    is the length of the line along which the skin passes through itself, or the area that lies double. A shell with an open rim that
    passes through another shell is told of here as well, because without a closed skin there is no volume to unite.
Limit: none is allowed; a crossing shallower than 0.001 mm (without units: 5 millionths of the diagonal) is taken for rounding, since
    a 32-bit file at one metre resolves 0.00006 mm. 3MF Core 1.4.0, 4.1: producers should not write crossing skins.
What mends it: rewrap lays a new skin over the outside and keeps the sound skin where it can. Where an open shell passes through another,
    close its rim first; then the two can be united.
When it is wrong: two skins that lie on each other within 0.001 mm on purpose, such as a paper-thin slit, are told of as lying double.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.crossings import Crossings
from lint.measure.edges import Edges
from lint.measure.shells import Shells, around_points, regions
from lint.measure.surface import Skin
from lint.terms import Finding, IntArray, Part, Place, Rule, Weight

MOST = 50

rule = Rule(
    number=9,
    name="skin through skin",
    weight=Weight.STOP,
    unit="mm",
    cases={
        "through itself": "the skin passes through itself along {measured:.3g} {unit}: inside and outside are mixed up there",
        "double": "the skin lies double on itself over {measured:.3g} {unit}: it has no thickness there",
        "open shell": "a shell with an open rim passes through another shell along {measured:.3g} {unit}: neither has an inside there",
        "many": "the skin passes through skin in more small places ({places}), along {measured:.3g} {unit} together",
    },
    fix="rewrap",
)


@rule.find
def find(part: Part, skin: Skin, shells: Shells, edges: Edges, crossings: Crossings) -> Iterator[Finding]:
    """One finding for each group of crossings that hang together, the longest first."""
    closed = shells.closed[shells.label[crossings.pairs]].all(axis=1)
    groups: list[tuple[str, float, IntArray]] = []
    for within in (True, False):
        chosen = np.flatnonzero(crossings.within if within else ~crossings.within & ~closed)
        for rows in grouped(crossings, chosen, edges, len(skin.faces)):
            deep = rows[~crossings.flat[rows]]
            if len(deep):
                groups.append(("through itself" if within else "open shell", float(crossings.amount[deep].sum()), rows))
            else:
                groups.append(("double", float(crossings.amount[rows].sum()), rows))
    groups.sort(key=lambda g: -g[1])
    length, area = ("mm", "mm2") if part.units is not None else ("file units", "square file units")
    for case, amount, rows in groups[:MOST]:
        yield rule.finding(case, amount, place=_place(crossings, rows), unit=area if case == "double" else length)
    rest = groups[MOST:]
    if rest:
        rows = np.concatenate([r for _, _, r in rest])
        total = float(crossings.amount[rows[~crossings.flat[rows]]].sum())
        yield rule.finding("many", total, place=_place(crossings, rows), unit=length, places=len(rest))


def grouped(crossings: Crossings, chosen: IntArray, edges: Edges, faces: int) -> list[IntArray]:
    """Rows of crossings.pairs in groups that hang together: by crossing each other or by being neighbours, where skin crosses along an
    edge on either side of it."""
    pairs = crossings.pairs[chosen]
    taking_part = np.union1d(pairs, crossings.beside[chosen])
    group = np.full(faces, -1, dtype=np.int64)
    for number, members in enumerate(regions(taking_part, np.vstack((pairs, edges.neighbours)), faces)):
        group[members] = number
    of_row = group[pairs[:, 0]]
    order = np.argsort(of_row, kind="stable")
    if not len(order):
        return []
    return [chosen[rows] for rows in np.split(order, np.flatnonzero(np.diff(of_row[order])) + 1)]


def _place(crossings: Crossings, rows: IntArray) -> Place:
    points = np.vstack((crossings.start[rows], crossings.end[rows]))
    return around_points(points, np.unique(crossings.pairs[rows]))
