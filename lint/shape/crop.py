"""Crop: cut away what the ticket says lies outside the part that is wanted, by boxes and planes, and leave the rest as it is."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from lint.shape.clip import clip
from lint.shape.level import SNAP
from lint.shape.nibble import open_loops
from lint.shape.outline import tangled
from lint.shape.triangles import filled, plumped
from lint.terms import Declined, Fix, FloatArray, IntArray, Job, Part, Promise, Shaped, Touch, Zone

fix = Fix(
    name="crop",
    touch=Touch.SKIN,
    does="cuts away what lies outside the boxes, or beyond the planes, that the ticket gives under [[fix.crop]]; the rest keeps its skin",
    on_demand=True,
)

# A cut may leave crumbs (11) and thin edges (30) and gaps (31), change what hangs over (32, 33), take away what it stood on (34, 35, 36),
# and change what there is to hollow (39), to set a mould wall on (53) or to key (54). A sheet cut across a hole joins hole and rim (4).
MAY_RAISE = (11, 30, 31, 32, 33, 34, 35, 36, 39, 53, 54)


@dataclass(frozen=True)
class Plane:
    """point (3,) on the cut and the unit normal (3,) to the side that stays, in the part's present coordinates."""

    point: FloatArray
    normal: FloatArray


@fix.make
def make(job: Job) -> Shaped:
    """Cut along every plane in turn. Raises Declined when nothing lies outside, nothing would be left, or a solid cannot be closed."""
    part = job.part
    planes = list(_planes(part))
    if not planes:
        raise Declined("the ticket gives no [[fix.crop]] box or plane")
    skin, edges = job.survey.get("skin"), job.survey.get("edges")
    solid = edges.closed and bool(edges.agree.all())
    vertices, faces = skin.vertices, skin.faces
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    cuts: list[Plane] = []
    for plane in planes:
        height = (vertices - plane.point) @ plane.normal
        if float(height[np.unique(faces)].min()) >= -2 * SNAP:
            continue
        vertices, faces = cut_along(vertices, faces, height, plane, solid)
        cuts.append(plane)
        if not len(faces):
            raise Declined("the crop would leave nothing of the part: check its numbers, which are those of the file")
    if not cuts:
        raise Declined("nothing of the part lies outside the crop")
    return Shaped(
        part.with_mesh(vertices, faces),
        Promise(skin_max=SNAP, skin_p99=SNAP, volume="less" if solid else "any", pieces="any", may_raise=MAY_RAISE),
        f"cut along {len(cuts)} {'plane' if len(cuts) == 1 else 'planes'}; {len(faces)} of {len(skin.faces)} faces stay",
        zones=tuple(Zone("under", "beyond the crop", 2 * SNAP, (_tuple(c.point), _tuple(c.normal))) for c in cuts),
    )


def _tuple(point: FloatArray) -> tuple[float, float, float]:
    return (float(point[0]), float(point[1]), float(point[2]))


def _planes(part: Part) -> Iterator[Plane]:
    """The planes of all crops, carried from the file's own numbers to the part's present place. Raises Declined for half a plane."""
    linear = part.placement[:3, :3]
    for table in part.ticket.fix.crop:
        for corner, sign in ((table.low, 1.0), (table.high, -1.0)):
            if corner is None:
                continue
            for axis in np.eye(3):
                yield _placed(part, np.asarray(corner, dtype=np.float64), sign * axis, linear)
        if (table.point is None) != (table.away is None):
            raise Declined("a crop plane in the ticket needs both point and away")
        if table.point is not None and table.away is not None:
            away = np.asarray(table.away, dtype=np.float64)
            if not float(np.linalg.norm(away)) > 0:
                raise Declined("the away of a crop plane in the ticket has no length")
            yield _placed(part, np.asarray(table.point, dtype=np.float64), -away, linear)


def _placed(part: Part, point: FloatArray, inward: FloatArray, linear: FloatArray) -> Plane:
    normal = np.linalg.solve(linear.T, inward)
    return Plane(part.place_points(point)[0], normal / np.linalg.norm(normal))


def cut_along(vertices: FloatArray, faces: IntArray, height: FloatArray, plane: Plane, solid: bool) -> tuple[FloatArray, IntArray]:
    """What stays of the skin (n, 3), (m, 3) above one plane, closed by a flat lid when it was a solid.

    height: (n,) of the points over the plane, mm. Raises Declined when the rim of the cut runs through itself.
    """
    for hair in (0.0, 0.011, 0.029, 0.07):
        shift = hair if solid else 0.0
        cut = clip(vertices, faces, height - shift, snap=SNAP)
        points = cut.vertices.copy()
        above = (points - plane.point) @ plane.normal - shift
        points[cut.on] -= above[cut.on, None] * plane.normal
        if not solid or not len(cut.faces):
            return points, cut.faces
        lid = _lid(points, cut.faces, plane)
        if lid is not None:
            return points, np.vstack((cut.faces, lid))
    raise Declined("a cut along the crop does not come out clean, because the skin runs through itself there: rewrap it first")


def _lid(points: FloatArray, faces: IntArray, plane: Plane) -> IntArray | None:
    """Faces that close the open rims lying in the plane; None when they cross each other."""
    loops, _ = open_loops(faces, len(points))
    if not loops:
        return np.zeros((0, 3), dtype=np.int64)
    aside = np.eye(3)[int(np.argmin(np.abs(plane.normal)))]
    u = np.cross(aside, plane.normal)
    u /= np.linalg.norm(u)
    drawn = (points - plane.point) @ np.stack((u, np.cross(plane.normal, u)), axis=1)
    if tangled(drawn, np.vstack([np.stack((loop, np.roll(loop, -1)), axis=1) for loop in loops])).any():
        return None
    numbers = np.concatenate(loops)
    flat = drawn[numbers]
    return np.asarray(numbers[plumped(flat, filled([drawn[loop] for loop in loops]))][:, ::-1])
