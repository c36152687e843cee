"""Rough skin: scan noise that the print will show.

At the bench: the skin comes out pitted and pimpled instead of smooth. Clay hides a little of it, but every cast from
    a mould of the bare buck shows it, and sanding it off by hand takes an evening. It comes from a scan in poor
    light, of a shiny or hairy place, or of someone who moved.
How it is measured: at each point a smooth surface (a quadric) is fitted to the neighbours, and again to their
    neighbours as well; what stands off it is noise when it is the same in both. Real detail stands off the larger one
    far more than the smaller, and is left alone. The middle value of the 48 nearest points is taken, so that single
    creases do not speak. Rims are left out. Parts of more than 60,000 points are sampled.
Limit: half of a layer. On a slope the layers themselves make steps of up to one layer (cusp height: Dolenc and Makela
    1994, from memory, facts 1.3.9), and what is well below that is lost in them; the half is common practice, no
    source.
What mends it: calm, when asked for, draws the points of the region onto the fitted surfaces, by no more than three
    times the noise, keeps the volume and leaves the rims.
When it is wrong: pores, stubble or cloth that were scanned well look like noise when they are as fine as the facets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.roughness import Roughness, rough_regions
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Limit, Rule, Weight

MOST = 50

rule = Rule(
    number=12,
    name="rough skin",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "rough": "the skin is rough by {measured:.2f} {unit} over {across:.0f} {unit} (layers hide {limit:.2f}): "
        "scan noise, it will print as grain",
        "many": "more small rough places ({places}), by {measured:.2f} {unit} (layers hide {limit:.2f})",
    },
    limits={"noise": Limit(lambda s: s.layer / 2, "mm", "half of a layer: below the steps of the layers themselves (facts 1.3.9)")},
    needs=("units",),
    fix="calm",
)


@rule.find
def find(skin: Skin, roughness: Roughness, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding for each rough region, the largest first."""
    groups = rough_regions(roughness, limits["noise"])
    for group in groups[:MOST]:
        points = roughness.points[group]
        faces = np.flatnonzero(np.isin(skin.faces, points).any(axis=1))
        place = around_points(skin.vertices[points], faces)
        noise = float(np.median(roughness.noise[group]))
        yield rule.finding("rough", noise, limits["noise"], place=place, sampled=roughness.sampled, across=2 * place.reach)
    if len(groups) > MOST:
        rest = np.concatenate(groups[MOST:])
        points = roughness.points[rest]
        place = around_points(skin.vertices[points], np.flatnonzero(np.isin(skin.faces, points).any(axis=1)))
        noise = float(np.median(roughness.noise[rest]))
        yield rule.finding("many", noise, limits["noise"], place=place, sampled=roughness.sampled, places=len(groups) - MOST)
