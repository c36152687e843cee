"""The inside skin of a hollow part: of sealed cavities, of drained ones, and of a shell that is open below."""

from __future__ import annotations

from dataclasses import dataclass

from lint.measure import measure
from lint.measure.chambers import Chambers
from lint.measure.cups import dips
from lint.measure.edges import Edges
from lint.measure.hollows import Hollows
from lint.measure.surface import Extent, Faces, Skin
from lint.terms import BoolArray

# A hollow smaller than this share of what the part takes up does not make it a hollow part.
SHARE = 0.1


@dataclass(frozen=True)
class Inner:
    """faces: (m,) the skin that looks into the hollow; volume: mm3 of the hollow; share: of hollow and material together."""

    faces: BoolArray
    volume: float
    share: float

    @property
    def hollow(self) -> bool:
        """Whether the part is a hollow one."""
        return self.share >= SHARE


@measure
def inner(skin: Skin, edges: Edges, facets: Faces, extent: Extent, hollows: Hollows, chambers: Chambers) -> Inner:
    """Faces of sealed cavities; faces that look into shut-in air; faces of what would hold liquid were the part turned over."""
    faces = hollows.hidden.copy()
    for step in (0.8, 1.6) if chambers.inner.any() else ():
        faces |= chambers.holds(facets.centre + step * float(chambers.grid.pitch[0]) * facets.normal)
    volume = chambers.volume
    turned = Skin(skin.vertices * [1.0, 1.0, -1.0], skin.faces[:, ::-1], skin.old)
    for dip in dips(turned, edges, max(0.1 * float(extent.high[2] - extent.low[2]), 1.0)):
        if dip.volume > SHARE * (chambers.solid + dip.volume) and dip.place.faces is not None:
            faces[dip.place.faces] = True
            volume += dip.volume
    return Inner(faces, volume, volume / max(volume + chambers.solid, 1e-12))
