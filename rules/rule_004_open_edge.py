"""Open edge: the skin has a rim where it stops, so it encloses nothing.

At the bench: an open skin is a sheet of no thickness, like the inside of a mask. A printer can only fill a closed
    skin, so it leaves out walls, fills a hole with a ceiling or prints nothing. A scan of a face is open all round
    its rim; holes hide behind ears and in nostrils.
How it is measured: an edge that belongs to one face only is open. Open edges are followed from point to point into
    rims; the length of each is measured along it. Points are taken as one only where their coordinates agree exactly.
    Holes too many to list are counted together.
Limit: none is allowed. 3MF asks that every edge be shared by exactly two faces (3MF Core 1.4.0, 4.1); the outer rim
    of a scan is no fault of the scan, but a part cannot be printed before it is closed or set on a base.
What mends it: close fills holes with a patch that follows the skin around it; seat carries the outer rim down to a
    flat base; weld closes the cracks that rule 2 finds.
When it is wrong: never for printing. A part kept as a sheet on purpose (to be seated later) can be accepted in the
    ledger.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.edges import Rim
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Part, Rule, Weight

MOST = 100  # rims told one by one; a maker does not walk through more

rule = Rule(
    number=4,
    name="open edge",
    weight=Weight.STOP,
    unit="mm",
    cases={
        "open": "the skin is open along a rim of {measured:.4g} {unit} ({edges} edges): it encloses nothing there and cannot be filled",
        "many": "more short rims ({rims}), {measured:.4g} {unit} together: the skin is full of small holes or cracks",
    },
    fix="close",
)


@rule.find
def find(part: Part, skin: Skin, rims: tuple[Rim, ...]) -> Iterator[Finding]:
    """One finding a rim, the longest first."""
    for rim in rims[:MOST]:
        place = around_points(skin.vertices[rim.points], rim.faces)
        yield rule.finding("open", rim.length, place=place, unit=part.length_unit, edges=len(rim.faces))
    rest = rims[MOST:]
    if rest:
        place = around_points(skin.vertices[np.concatenate([r.points for r in rest])], np.concatenate([r.faces for r in rest]))
        yield rule.finding("many", sum(r.length for r in rest), place=place, unit=part.length_unit, rims=len(rest))
