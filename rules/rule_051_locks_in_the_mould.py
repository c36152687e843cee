"""Locks in the mould: skin that a mould pulled off in the given direction catches on.

At the bench: even a slight undercut locks a plaster mould on a hard buck; one of the two breaks. A silicone mould stretches over a slight
one and tears in a deep one. Nostril wings, the back of an ear, eye corners and fingers that lie over each other are the usual places.
How it is measured: skin that faces away from the pull, or over which a line along the pull meets more skin, less what lies on the board
or opens only there (the usual definition: what cannot be seen along the pull). For each region its area, and its depth: how far the
mould has to give sideways to come past what stands over it. Where the mould is rigid, also the least draft: skin standing more nearly
along the pull than the limit. Sampled twice a millimetre or finer on a part the size of a hand.
Limit: 0.2 mm deep for a rigid mould, about a layer's step (any undercut locks, so two trade sources; the number is ours); 3 mm for a
flexible one (that it takes slight ones is in the sources; the number is common practice, no source). Draft of 3 degrees for a rigid
mould (common practice, no source). Regions under 4 mm2 are the skin's roughness.
What mends it: fill it with clay or wax on the printed buck, split the mould, turn the pull, or pour a flexible mould. The ticket says the
direction (`pull` under [use]). No step fills an undercut in the file; where it lies in a deep recess (rule 52), plug closes that.
When it is wrong: a mould in several pieces has several pulls, and the ticket gives one: skin that faces away belongs to another piece.
Caution: setting plaster grows hot, to about 60 C in bulk: never put a body part into it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.contact import Contact
from lint.measure.edges import Edges
from lint.measure.shells import around_points, regions
from lint.measure.surface import Faces, Skin
from lint.measure.undercut import Moulding
from lint.measure.walls import Patches
from lint.settings import Settings
from lint.terms import Finding, Limit, Part, Rule, Weight

rule = Rule(
    number=51,
    name="locks in the mould",
    weight=Weight.CAUTION,
    unit="mm",
    cases={
        "locks": "the mould catches on {area:.0f} mm2 of skin, {measured:.1f} mm behind what stands over it; it must give that far",
        "drags": "{area:.0f} mm2 of skin leaves a rigid mould at {measured:.1f} degrees from the pull and wants {limit:.0f}",
    },
    limits={
        "depth": Limit(
            lambda s: 3.0 if s.mould == "flexible" else 0.2, "mm",
            "rigid: facts 2.1.1, any undercut locks, the number is a layer's step; flexible: facts 2.1.4, the number common practice",
        ),
        "area": Limit(4.0, "mm2", "common practice, no source: less is the roughness of a scan"),
        "draft": Limit(3.0, "degrees", "facts 2.1.5, common practice, no source"),
        "wall": Limit(200.0, "mm2", "common practice, no source: less drag than this does not hold a mould"),
    },
    needs=("units", "use.pull"),
    after=(4, 5, 7, 8),
    upright=True,
)  # fmt: skip


@rule.find
def find(
    part: Part, skin: Skin, edges: Edges, facets: Faces, patches: Patches, contact: Contact, moulding: Moulding, settings: Settings,
    limits: Mapping[str, float],
) -> Iterator[Finding]:
    """One finding a hidden region, deepest first, then one a region of too little draft."""
    assert settings.pull is not None
    pulled = moulding.pulled(part.placement[:3, :3] @ np.asarray(settings.pull))
    rigid = settings.mould == "rigid"
    for lock in pulled.locks:
        if lock.depth > limits["depth"] and lock.area >= limits["area"]:
            yield rule.finding(
                "locks", lock.depth, limits["depth"], place=lock.place, weight=Weight.STOP if rigid else None, sampled=True, area=lock.area
            )
    if not rigid:
        return
    # The upright sides of the base itself are held by the board and the mould wall, not by the mould.
    steep = np.flatnonzero((pulled.draft < limits["draft"] - 1e-3) & (pulled.draft > -limits["draft"]))
    steep = steep[~pulled.hidden[patches.face[steep]]]
    slab = (patches.point[steep, 2] < contact.lowest + settings.base + 1e-3) & (np.abs(facets.normal[patches.face[steep], 2]) < 1e-3)
    steep = steep[~slab]
    area = np.bincount(patches.face[steep], weights=patches.area[steep], minlength=len(skin.faces))
    for faces in regions(np.flatnonzero(area > 0), edges.neighbours, len(skin.faces)):
        if area[faces].sum() >= limits["wall"]:
            mine = steep[np.isin(patches.face[steep], faces)]
            yield rule.finding(
                "drags", max(float(pulled.draft[mine].min()), 0.0), limits["draft"], unit="degrees", sampled=True,
                place=around_points(patches.point[mine], faces), area=float(area[faces].sum()),
            )  # fmt: skip
