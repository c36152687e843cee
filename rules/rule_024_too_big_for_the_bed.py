"""Too big for the bed: the part does not fit the printer, however it is turned.

At the bench: printing software refuses it, or somebody scales it down until it fits, and then it is not life-size any more.

How it is measured: the height, and the convex outline seen from above at every turn about the vertical: the width and the depth at the turn
where the part lies best. Exact, not tried at steps: between two turns that lay a side of the outline along the bed, both change as a cosine
does (Shamos' calipers, 1978). A part that fits at some turn is clean: it is turned by hand. A file that holds several separate
solids is judged solid by solid, since they can be printed one after another; open skin is taken together.

Limit: the bed in the ticket or the shop file, as it is; leave the room your printer needs for a brim out of it.

What mends it: split, which cuts the part and pegs the halves (on demand). Or crop it to what is needed, or hollow it and use
a larger machine. Never scale it down.

When it is wrong: lying on its side the part may fit; turn it before slicing, or lay it on another face, and lint again.
"""

from collections.abc import Iterator

import numpy as np

from lint.measure.bed import Footprint, lies
from lint.measure.shells import around_points
from lint.settings import Settings
from lint.terms import Finding, Rule, Weight

# A part as large as the bed fits it; float32 rounding of either must not decide (3e-5 mm at 300 mm, facts 6.33).
ROUNDING = 1e-3

rule = Rule(
    number=24,
    name="too big for the bed",
    weight=Weight.STOP,
    unit="mm",
    cases={
        "wide": "{which}{measured:.1f} mm wide at the best turn ({turn:.0f} degrees), where the bed has {limit:.1f} mm: "
        "{width:.1f} x {depth:.1f} mm on a bed of {bed_x:g} x {bed_y:g} mm",
        "tall": "{which}{measured:.1f} mm tall, where the printer reaches {limit:.1f} mm{turned}",
    },
    needs=("units", "print.bed"),
    fix="split",
    upright=True,
)


@rule.find
def find(footprints: tuple[Footprint, ...], settings: Settings) -> Iterator[Finding]:
    """Height and outline of each separate solid against the bed, each its own finding."""
    assert settings.bed is not None
    bed_x, bed_y, bed_z = settings.bed
    for number, footprint in enumerate(footprints, start=1):
        which = "" if len(footprints) == 1 else f"of {len(footprints)} separate pieces, number {number} from the longest: "
        best, least = lies(footprint.hull, (bed_x, bed_y))
        place = around_points(np.stack((footprint.low, footprint.high)))
        if best.over > ROUNDING:
            wide = best.width - bed_x >= best.depth - bed_y
            yield rule.finding(
                "wide", best.width if wide else best.depth, bed_x if wide else bed_y, place=place, which=which, turn=best.turn,
                width=best.width, depth=best.depth, bed_x=bed_x, bed_y=bed_y,
            )  # fmt: skip
        if footprint.height - bed_z > ROUNDING:
            fits = least is not None and abs(least.turn) >= 0.5
            turned = f" (its outline fits the bed when turned by {least.turn:.0f} degrees)" if least is not None and fits else ""
            yield rule.finding("tall", footprint.height, bed_z, place=place, which=which, turned=turned)
