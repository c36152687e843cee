"""Set pieces on the bed: each on its base or on its cut, side by side, with the pegs behind them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lint.measure import Survey
from lint.measure.bed import lies, outline
from lint.shape.pegs import SIDES, Peg
from lint.terms import FloatArray, IntArray, NotRun, Part

GAP = 10.0  # mm between pieces (common practice, no source)
APART = 0.06  # of the longest piece's length at the least: nearer than a twenty-fourth, two solids are taken to touch
LEAST_BASE = 25.0  # mm2
FIRM = 15.0  # degrees it may be leaned before it falls (facts 1.4.7)
ROUNDING = 1e-3
BEVEL = 0.8  # mm off the ends of a peg
# A loose closed piece shorter than a twentieth of the part is taken for scan dust; a peg is to be clearly longer.
NO_DUST = 0.07


@dataclass(frozen=True)
class Piece:
    """body: a solid (manifold3d); downs: (3,) directions in which its cuts face, away from it; lean: degrees before it falls."""

    body: Any
    downs: tuple[FloatArray, ...]
    lean: float = 0.0

    def points(self) -> FloatArray:
        """Its corners (n, 3)."""
        return np.asarray(self.body.to_mesh64().vert_properties, dtype=np.float64)[:, :3]

    def outline(self) -> FloatArray:
        """Its taut outline seen from above."""
        return outline(self.points()[:, :2])

    def fits(self, bed: tuple[float, float, float]) -> bool:
        """Whether it fits the bed at some turn."""
        return lies(self.outline(), bed[:2])[0].over <= ROUNDING and self.height() - bed[2] <= ROUNDING

    def height(self) -> float:
        """From its lowest to its highest point, mm."""
        box = self.body.bounding_box()
        return float(box[5] - box[2])


def stood(piece: Piece, part: Part, bed: tuple[float, float, float]) -> Piece:
    """The piece as it is where it stands firmly so, else turned to stand on that cut on which it stands best and fits the bed."""
    ways = [np.eye(3), *(_down(d) for d in piece.downs if d[2] > -0.999)]
    tried: list[Piece] = []
    for way in ways:
        turned = Piece(piece.body.transform(np.column_stack((way, np.zeros(3)))) if tried else piece.body, piece.downs)
        tried.append(Piece(turned.body, turned.downs, _lean(turned.body, part) if turned.fits(bed) else -180.0))
        if tried[0].lean >= FIRM:
            return tried[0]
    return max(tried, key=lambda p: p.lean)


def _down(direction: FloatArray) -> FloatArray:
    """The turn (3, 3) that takes a direction straight down."""
    z = -direction
    x = np.array([0.0, 0.0, 1.0]) if abs(z[2]) < 0.9 else np.array([1.0, 0.0, 0.0])
    x = x - (x @ z) * z
    x /= np.linalg.norm(x)
    return np.stack((x, np.cross(z, x), z))


def _lean(body: Any, part: Part) -> float:
    """Degrees it may be leaned before it falls; below zero when there is no flat to stand on."""
    mesh = body.to_mesh64()
    points: FloatArray = np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3]
    faces: IntArray = np.asarray(mesh.tri_verts, dtype=np.int64)
    survey = Survey(part.with_mesh(points, faces))
    if survey.get("contact").area < LEAST_BASE:
        return -90.0
    try:
        return float(survey.get("stance").angle)
    except NotRun:
        return -90.0


def laid_out(pieces: list[Piece], pegs: list[Peg]) -> tuple[Any, int]:
    """All pieces in one solid, side by side in rows on z = 0, and the pegs in a last row; and how many pegs there are.

    Pegs so short beside the largest piece that they would be taken for scan dust are left out.
    """
    longest = max(float(np.linalg.norm(np.ptp(p.points(), axis=0))) for p in pieces)
    gap = max(GAP, APART * longest)
    rods = [_rod(p) for p in pegs] if pegs and min(p.length for p in pegs) >= NO_DUST * longest else []
    boxes = [np.asarray(p.body.bounding_box()) for p in pieces]
    wide = max(1.5 * float(np.sqrt(sum((b[3] - b[0] + gap) * (b[4] - b[1] + gap) for b in boxes))), max(b[3] - b[0] for b in boxes))
    x = y = deep = 0.0
    out: list[Any] = []
    for body, box in [*((p.body, b) for p, b in zip(pieces, boxes, strict=True)), *((r, np.asarray(r.bounding_box())) for r in rods)]:
        if x > 0 and (x + box[3] - box[0] > wide or (rods and body is rods[0])):
            x, y, deep = 0.0, y + deep + gap, 0.0
        out.append(body.translate((x - box[0], y - box[1], -box[2])))
        x += box[3] - box[0] + gap
        deep = max(deep, box[4] - box[1])
    from manifold3d import Manifold

    return Manifold.compose(out), len(rods)


def _rod(peg: Peg) -> Any:
    """A peg standing upright, its ends bevelled so that they find the socket."""
    from manifold3d import Manifold

    radius = peg.width / 2
    thin = Manifold.cylinder(peg.length, radius - BEVEL, radius - BEVEL, SIDES)
    thick = Manifold.cylinder(peg.length - 2 * BEVEL, radius, radius, SIDES).translate((0.0, 0.0, BEVEL))
    return Manifold.batch_hull([thin, thick])
