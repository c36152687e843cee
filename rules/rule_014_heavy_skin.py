"""Heavy skin: far more faces than the nozzle can show.

At the bench: nothing is wrong with the shape, but every step takes longer, the file is clumsy to send and keep, and
    the print is no finer for it: a nozzle cannot follow facets smaller than itself.
How it is measured: the middle length of all edges, beside the number of faces.
Limit: half of the nozzle, in a part of more than 50,000 faces. A smaller file is no burden, however fine. Both are
    common practice, no source; that detail below a line's width is lost is measured (facts 1.2.1).
What mends it: thin out, when asked for, takes faces away where the skin hardly bends, and states how far it moved.
When it is wrong: for resin the smallest detail is finer than the nozzle's; give the pixel of the screen as the
    nozzle.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.surface import Skin
from lint.terms import Finding, FloatArray, Limit, Rule, Weight

rule = Rule(
    number=14,
    name="heavy skin",
    weight=Weight.NOTE,
    unit="mm",
    cases={
        "heavy": "{faces} faces with edges of {measured:.2g} {unit}: the nozzle shows nothing finer than {limit:.2g} {unit}, "
        "so the file is heavy for nothing"
    },
    limits={
        "edge": Limit(lambda s: s.nozzle / 2, "mm", "half of the nozzle: common practice, no source; see facts 1.2.1"),
        "faces": Limit(50_000, "faces", "common practice, no source: 2.5 MB as STL, a burden to nobody"),
    },
    needs=("units",),
    fix="thin out",
)


@rule.find
def find(skin: Skin, edge_lengths: FloatArray, limits: Mapping[str, float]) -> Iterator[Finding]:
    """At most one finding, for the part as a whole."""
    if len(skin.faces) <= limits["faces"] or not len(edge_lengths):
        return
    middle = float(np.median(edge_lengths))
    if middle < limits["edge"]:
        yield rule.finding("heavy", middle, limits["edge"], faces=len(skin.faces))
