"""How far a fix moved the skin, measured on both surfaces and not taken from the fix's word.

Points are sampled on the old outer skin and measured to the new surface, and the other way about (the two directed
distances differ: Hausdorff). Points inside a zone the fix declared, old skin that lay inside the solid, and the skin of sealed
hollows, which nobody sees, are left out.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from lint.measure.nearest import distance_to_faces
from lint.measure.surface import weld_exact
from lint.terms import BoolArray, FloatArray, IntArray, Part, Zone

SAMPLES = 40_000


@dataclass(frozen=True)
class Moved:
    """max and p99 in mm over both directions; samples: how many points were measured; noise: rounding of the measure, mm."""

    max: float
    p99: float
    samples: int
    noise: float


def skin_moved(
    old: Part, new: Part, moved: FloatArray | None, zones: Iterable[Zone], hidden: tuple[BoolArray | None, BoolArray | None] = (None, None)
) -> Moved:
    """Directed distances between the outer skins of two parts outside the zones, the larger of the two ways.

    moved: (4, 4) from old coordinates to new (None: the same). Units are those of the new part.
    hidden: faces of the old and of the new part that bound sealed hollows, (m,) each: they are measured to, not from.
    """
    matrix = np.eye(4) if moved is None else moved
    carried = old.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    # A distance is the root of a square: what cancels in the square at 1e-16 of it is left in the root at 1e-8.
    noise = 3e-8 * float(np.abs(new.vertices).max(initial=1.0)) + 1e-9
    if np.array_equal(carried, new.vertices) and np.array_equal(old.faces, new.faces):
        return Moved(0.0, 0.0, 0, noise)
    zones = tuple(zones)
    if any(z.kind == "all" for z in zones):
        return Moved(0.0, 0.0, 0, noise)
    flipped = np.linalg.det(matrix[:3, :3]) < 0
    old_faces = old.faces[:, ::-1] if flipped else old.faces
    kept, still = shared_faces(carried, old_faces, new.vertices, new.faces)
    there = _measured(carried, old_faces, new.vertices, new.faces, zones, 1, hidden[0], kept)[1]
    back = _measured(new.vertices, new.faces, carried, old_faces, zones, 2, hidden[1], still)[1]
    both = [d for d in (there, back) if len(d)]
    if not both:
        return Moved(0.0, 0.0, 0, noise)
    return Moved(
        max=max(float(d.max()) for d in both),
        p99=max(float(np.quantile(d, 0.99)) for d in both),
        samples=sum(len(d) for d in both),
        noise=noise,
    )


def gone_astray(
    old: Part, new: Part, zones: Iterable[Zone], least: float, hidden: tuple[BoolArray | None, BoolArray | None] = (None, None)
) -> tuple[FloatArray, FloatArray]:
    """Points of the old outer skin (k, 3) that lie farther than `least` mm from the new part, and of the new (l, 3) so far from the
    old one, outside the zones: where `skin_moved` would measure more than that."""
    kept, still = shared_faces(old.vertices, old.faces, new.vertices, new.faces)
    ways = ((old, new, 1, hidden[0], kept), (new, old, 2, hidden[1], still))
    found = []
    for one, other, seed, unseen, same in ways:
        points, distance = _measured(one.vertices, one.faces, other.vertices, other.faces, tuple(zones), seed, unseen, same)
        found.append(points[distance > least])
    return found[0], found[1]


def _measured(
    vertices: FloatArray, faces: IntArray, to_vertices: FloatArray, to_faces: IntArray, zones: tuple[Zone, ...], seed: int,
    hidden: BoolArray | None, kept: BoolArray,
) -> tuple[FloatArray, FloatArray]:
    """Sampled points (k, 3) of one surface and their distance to another, (k,), leaving out zones, hidden faces and skin buried in its
    own solid.

    kept: (m,) faces that the other surface has too, corner for corner: what is sampled on them has not moved, and nothing is measured.
    """
    import igl

    shown = np.arange(len(faces)) if hidden is None else np.flatnonzero(~hidden)
    points, normals, on = sample(vertices, faces[shown], SAMPLES, seed)
    keep = ~in_zones(points, zones)
    points, normals, on = points[keep], normals[keep], on[keep]
    if not len(points) or not len(to_faces):
        return np.zeros((0, 3)), np.zeros(0)
    distance: FloatArray = np.zeros(len(points))
    open_ = np.flatnonzero(~kept[shown[on]])
    if len(open_):
        distance[open_] = distance_to_faces(points[open_], to_vertices, to_faces)
    far = np.flatnonzero(distance > 1e-6)
    if len(far):  # only a point that moved can be excused for lying under the old skin
        step = 1e-6 * float(np.linalg.norm(vertices.max(axis=0) - vertices.min(axis=0)))
        ahead = points[far] + step * normals[far]
        buried = np.asarray(igl.fast_winding_number(np.ascontiguousarray(vertices), np.ascontiguousarray(faces), ahead)) > 0.75
        seen = np.flatnonzero(~buried)
        if len(seen):
            buried[seen] = _in_closed_shell(vertices, faces, ahead[seen])
        points, distance = np.delete(points, far[buried], axis=0), np.delete(distance, far[buried])
    return points, distance


def _in_closed_shell(vertices: FloatArray, faces: IntArray, points: FloatArray) -> BoolArray:
    """Which of the points (k, 3) lie within any one closed shell: an open shell near by takes from the sum of winding numbers."""
    import igl

    from lint.measure.edges import edges
    from lint.measure.shells import shells
    from lint.measure.surface import facets, skin_of, worthless

    skin = skin_of(vertices, faces)
    every = shells(skin, edges(skin, worthless(skin)), facets(skin))
    inside = np.zeros(len(points), dtype=bool)
    for shell in np.flatnonzero(every.closed) if every.count > 1 else ():
        near = np.flatnonzero(~inside & ((points > every.low[shell]) & (points < every.high[shell])).all(axis=1))
        if len(near) and every.volume[shell] > 0:
            inside[near] = np.asarray(igl.fast_winding_number(skin.vertices, skin.faces[every.label == shell], points[near])) > 0.75
    return inside


def shared_faces(vertices: FloatArray, faces: IntArray, to_vertices: FloatArray, to_faces: IntArray) -> tuple[BoolArray, BoolArray]:
    """Which faces (m,) of one surface the other has too, the very numbers at all three corners and the same turn, and the other way.

    Nothing is rounded: points are the same when all 24 bytes are.
    """
    name = weld_exact(np.vstack((vertices, to_vertices)))[1]
    both = np.vstack((name[faces], name[to_faces + len(vertices)]))
    first = np.argmin(both, axis=1)
    row = np.arange(len(both))
    spun = np.stack([both[row, (first + k) % 3] for k in range(3)], axis=1)
    run = weld_exact(spun.astype(np.float64))[1]
    here, there = np.zeros(len(both), dtype=bool), np.zeros(len(both), dtype=bool)
    here[run[: len(faces)]] = True
    there[run[len(faces) :]] = True
    return there[run[: len(faces)]], here[run[len(faces) :]]


def sample(vertices: FloatArray, faces: IntArray, count: int, seed: int) -> tuple[FloatArray, FloatArray, IntArray]:
    """About `count` points on a surface, evenly by area and seeded, plus every corner when there are few.

    Points (k, 3), unit normals (k, 3) and the face of each (k,).
    """
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    cross = np.cross(b - a, c - a)
    double = np.linalg.norm(cross, axis=1)
    good = double > 0
    if not good.any():
        return np.zeros((0, 3)), np.zeros((0, 3)), np.zeros(0, dtype=np.int64)
    face = np.flatnonzero(good)
    a, b, c, cross, double = a[good], b[good], c[good], cross[good], double[good]
    rng = np.random.default_rng(seed)
    pick = np.searchsorted(np.cumsum(double), rng.random(count) * double.sum()).clip(max=len(double) - 1)
    u, v = rng.random(count), rng.random(count)
    over = u + v > 1
    u[over], v[over] = 1 - u[over], 1 - v[over]
    points = a[pick] + u[:, None] * (b - a)[pick] + v[:, None] * (c - a)[pick]
    normals = cross[pick] / double[pick, None]
    on = face[pick]
    if len(a) <= count:
        unit = cross / double[:, None]
        points = np.vstack((points, a, b, c))
        normals = np.vstack((normals, unit, unit, unit))
        on = np.concatenate((on, face, face, face))
    return points, normals, on


def in_zones(points: FloatArray, zones: Iterable[Zone]) -> BoolArray:
    """Which of the points (k, 3) lie in any of the zones."""
    inside = np.zeros(len(points), dtype=bool)
    for zone in zones:
        if zone.kind == "all":
            inside[:] = True
        elif zone.kind == "under":
            at, normal = np.asarray(zone.points[0]), np.asarray(zone.points[1])
            inside |= (points - at) @ normal <= zone.size
        elif zone.kind == "box":
            low, high = np.asarray(zone.points[0]) - zone.size, np.asarray(zone.points[1]) + zone.size
            inside |= ((points >= low) & (points <= high)).all(axis=1)
        elif zone.kind == "near":
            inside |= _near(points, np.asarray(zone.points), zone.size, zone.chain)
        else:
            raise ValueError(f"no such kind of zone: {zone.kind!r}")
    return inside


def _near(points: FloatArray, spots: FloatArray, size: float, chain: bool) -> BoolArray:
    from scipy.spatial import cKDTree

    if chain and len(spots) > 1:  # fill the polyline in, so that a ball at each spot covers the segment
        step = np.linalg.norm(np.diff(spots, axis=0), axis=1)
        pieces = [
            spots[i] + (spots[i + 1] - spots[i]) * np.linspace(0, 1, max(int(4 * step[i] / max(size, 1e-9)), 1), endpoint=False)[:, None]
            for i in range(len(step))
        ]
        spots = np.vstack((*pieces, spots[-1:]))
    distance, _ = cKDTree(spots).query(points, distance_upper_bound=size * (1 + 1e-12) + 1e-12)
    near: BoolArray = np.isfinite(distance)
    return near
