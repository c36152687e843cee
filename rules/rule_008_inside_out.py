"""Inside out: a closed shell faces in where it is not a cavity.

At the bench: the part looks whole, but its skin says that the air is material and the material air. Printed, it is
    nothing at all, or a hole in whatever surrounds it; and joined to another part it is cut away instead of added.
How it is measured: the signed volume of each closed shell; below zero it faces in. A shell that faces in is right
    where it lies within the solid of another shell: then it is a hollow. Whether it lies within is told by the
    winding number of the shells around it, each of them set right first, from the outermost inwards. Open skins have
    no volume and are not judged.
Limit: none is allowed. 3MF Core 1.4.0, 4.1: normals point out; a shell of negative volume is not printed, or becomes
    a void.
What mends it: turn reverses the shell. Nothing moves. A part turned inside out together with its hollows is turned
    back together with them.
When it is wrong: a hollow whose outer skin is still open cannot be told from a shell that is inside out; close the
    outer skin first.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.measure.nesting import Nesting
from lint.measure.shells import Shells, around
from lint.measure.surface import Skin
from lint.terms import Finding, Part, Rule, Weight

MOST = 100

rule = Rule(
    number=8,
    name="inside out",
    weight=Weight.STOP,
    unit="mm3",
    cases={
        "inside out": "a closed shell of {faces} faces is inside out: {measured:.4g} {unit} that should be solid would print as nothing",
        "filled hollow": "a hollow of {measured:.4g} {unit} faces out, in a part that is inside out: "
        "turned back alone, the part would fill it",
        "many": "more small shells ({shells}) that are inside out, {measured:.4g} {unit} together",
    },
    fix="turn",
)


@rule.find
def find(part: Part, skin: Skin, shells: Shells, nesting: Nesting) -> Iterator[Finding]:
    """One finding for each shell that faces the wrong way, the largest first."""
    unit = "mm3" if part.units is not None else "cubic file units"
    wrong = np.flatnonzero(nesting.inside_out)
    wrong = wrong[np.argsort(-np.abs(shells.volume[wrong]), kind="stable")]
    for shell in wrong[:MOST]:
        faces = np.flatnonzero(shells.label == shell)
        volume = float(shells.volume[shell])
        case = "inside out" if volume < 0 else "filled hollow"
        yield rule.finding(case, abs(volume), place=around(skin, faces), unit=unit, faces=len(faces))
    rest = wrong[MOST:]
    if len(rest):
        faces = np.flatnonzero(np.isin(shells.label, rest))
        yield rule.finding("many", float(np.abs(shells.volume[rest]).sum()), place=around(skin, faces), unit=unit, shells=len(rest))
