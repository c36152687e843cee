"""Pair disagrees: the two parts of a declared pair, left and right, are not mirror images of each other.

At the bench: a pair of ears that differ shows from the first row of seats, and a mask cast on one does not fit the other. When both are
    the same side, the second cast is wasted.
How it is measured: the part that the ticket names as the pair is mirrored and laid on this one as well as it will go, whichever way it
    lies in its file. The distance that 99 of 100 points on the skin do not pass, measured from each skin to the other, the larger of
    the two; 20,000 points on each, evenly by area. Where the unmirrored pair fits within the limit and the mirrored one does not, the
    two are the same side.
Limit: 1 mm. It is the largest error that ISO 20685-1 allows a scan of a hand or a bare head (read second-hand, in a textbook):
    what two good scans of one hand may differ by, the pair may as well.
What mends it: mirror, when asked for, makes the other side from this part; write it to the other's name once you know which of the two is
    the better one.
When it is wrong: both are scans of one living person, and nobody is symmetric: then this is their nature, to be kept or not as the sculptor
    likes. A wider margin of skin round one of the two, another base, a hollow or a mark is counted as well: compare them before they
    are seated, hollowed and marked.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from lint.measure.alignment import Surface, laid_on
from lint.measure.shells import around_points
from lint.terms import Finding, Limit, NotRun, Part, Rule, Weight

if TYPE_CHECKING:
    from lint.shelf import Shelf

rule = Rule(
    number=56,
    name="pair disagrees",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "differs": "this part and its pair {pair} are not mirror images: up to {measured:.2f} {unit} apart when laid on each other, "
        "where {limit:.2f} is allowed",
        "same side": "its pair {pair} is the same side: they fit to {plain:.2f} {unit} without mirroring, mirrored they are up to "
        "{measured:.2f} {unit} apart, where {limit:.2f} is allowed",
    },
    limits={"apart": Limit(1.0, "mm", "ISO 20685-1, largest error for hand and bare head (facts 3.5.4, second-hand)")},
    needs=("units", "part.pair"),
    fix="mirror",
)


@rule.find
def find(part: Part, shelf: Shelf, limits: Mapping[str, float]) -> Iterator[Finding]:
    """At most one finding, with the region where the two differ."""
    pair = shelf.pair_of(part)
    if pair.units is None:
        raise NotRun(f"units unknown: the pair {pair.name} gives none; write units under [part] in its ticket")
    here, there = Surface(part.vertices, part.faces), Surface(pair.vertices, pair.faces)
    fit = laid_on(there, here, mirrored=True)
    if fit.p99 <= limits["apart"]:
        return
    plain = laid_on(there, here).p99
    yield rule.finding(
        "same side" if plain <= limits["apart"] else "differs",
        fit.p99,
        limits["apart"],
        place=around_points(fit.points[fit.off > limits["apart"]]),
        sampled=True,
        pair=part.ticket.part.pair,
        plain=plain,
    )
