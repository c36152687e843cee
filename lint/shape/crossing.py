"""Do new faces cut through the skin or through each other? Asked of every wall, cap and patch before it is handed back.

Boxes of faces are paired through a grid of cells, or by the compiled loops through a tree; each pair that overlaps is then settled in
float64 by passing every side of one face through the other. Faces that share a point or a side only touch there, unless they lie folded
on each other.
"""

from __future__ import annotations

import numpy as np

from lint import loops
from lint.terms import BoolArray, FloatArray, IntArray

# Two faces on one side folded closer than this lie on each other: a wall without thickness.
FOLD = float(np.cos(np.radians(0.5)))
# A face whose box takes up more cells than this, as that of a spike does, is compared with all others instead.
WIDE = 4096


def crossing_faces(vertices: FloatArray, faces: IntArray, new: BoolArray) -> BoolArray:
    """Which faces (m,) cross or touch another, looking only at pairs of which at least one is `new` (m,). Coordinates must be finite."""
    hit = np.zeros(len(faces), dtype=bool)
    if not new.any():
        return hit
    if loops.there():
        return loops.hits(vertices, faces, new, FOLD)
    corners = vertices[faces]
    low, high = corners.min(axis=1), corners.max(axis=1)
    one, two = _pairs(low, high, new)
    block = 400_000
    for begin in range(0, len(one), block):
        i, j = one[begin : begin + block], two[begin : begin + block]
        crossed = _crossed(vertices, faces[i], faces[j])
        hit[i[crossed]] = True
        hit[j[crossed]] = True
    return hit


def any_crosses(vertices: FloatArray, faces: IntArray, new: BoolArray) -> bool:
    """Whether any face crosses or touches another, of pairs of which one at least is `new` (m,). The new, being few, are asked first."""
    if loops.there() and new.any():
        return bool(loops.hits(vertices, faces, new, FOLD, first=True).any())
    made = np.flatnonzero(new)
    if crossing_faces(vertices, faces[made], np.ones(len(made), dtype=bool)).any():
        return True
    return bool(crossing_faces(vertices, faces, new).any())


def _pairs(low: FloatArray, high: FloatArray, new: BoolArray) -> tuple[IntArray, IntArray]:
    """Pairs (new face, other face) whose boxes overlap, each once."""
    region_low, region_high = low[new].min(axis=0), high[new].max(axis=0)
    near = new | ((low <= region_high) & (high >= region_low)).all(axis=1)
    chosen = np.flatnonzero(near)
    size = (high - low)[chosen].max(axis=1)
    cell = max(float(np.median(size)) * 1.5, float((region_high - region_low).max()) / 200, 1e-12)
    first = np.floor((np.maximum(low[chosen], region_low) - region_low) / cell).astype(np.int64)
    last = np.floor((np.minimum(high[chosen], region_high) - region_low) / cell).astype(np.int64)
    span = last - first + 1
    count = span.prod(axis=1)
    wide = count > WIDE
    packed = [_beside(low, high, chosen, k, new) for k in chosen[wide]]
    chosen, first, last, span, count = chosen[~wide], first[~wide], last[~wide], span[~wide], count[~wide]
    if not len(chosen):
        found = np.unique(np.concatenate(packed))
        return found // len(low), found % len(low)
    owner = np.repeat(np.arange(len(chosen)), count)
    within = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
    at = np.stack(
        (within % span[owner, 0], within // span[owner, 0] % span[owner, 1], within // (span[owner, 0] * span[owner, 1])), axis=1
    )
    at += first[owner]
    many = last.max(axis=0) + 1
    key = (at[:, 2] * many[1] + at[:, 1]) * many[0] + at[:, 0]
    mine = new[chosen][owner]
    touched = np.zeros(int(many.prod()), dtype=bool)  # most of the skin is nowhere near a new face
    touched[key[mine]] = True
    shared = touched[key]
    key, owner, mine = key[shared], owner[shared], mine[shared]
    order = np.argsort(key, kind="stable")
    key, owner, mine = key[order], owner[order], mine[order]
    asked = np.flatnonzero(mine)
    begin = np.searchsorted(key, key[asked], side="left")
    ends = np.searchsorted(key, key[asked], side="right")
    length = ends - begin
    one = np.repeat(owner[asked], length)
    two = owner[np.repeat(begin, length) + np.arange(int(length.sum())) - np.repeat(np.cumsum(length) - length, length)]
    i, j = chosen[one], chosen[two]
    keep = (i != j) & ~(new[j] & (j < i)) & (low[i] <= high[j]).all(axis=1) & (low[j] <= high[i]).all(axis=1)
    found = np.unique(np.concatenate((*packed, i[keep] * len(low) + j[keep])))
    return found // len(low), found % len(low)


def _beside(low: FloatArray, high: FloatArray, chosen: IntArray, wide: int, new: BoolArray) -> IntArray:
    """The pairs, packed, of one face whose box is wide with all of the chosen whose boxes overlap its own."""
    other = chosen[((low[chosen] <= high[wide]) & (high[chosen] >= low[wide])).all(axis=1) & (chosen != wide)]
    if not new[wide]:
        other = other[new[other]]
    # As a pair is named elsewhere: the new one first, of two new ones the lesser.
    first = np.where(new[other], np.where(new[wide], np.minimum(other, wide), other), wide)
    packed: IntArray = first * len(low) + (other + wide - first)
    return packed


def _crossed(vertices: FloatArray, one: IntArray, two: IntArray) -> BoolArray:
    """Whether each pair of faces (k, 3), (k, 3) crosses."""
    same: BoolArray = np.asarray(one[:, :, None] == two[:, None, :])
    shared = same.sum(axis=(1, 2))
    hit = np.zeros(len(one), dtype=bool)
    for faces, others in ((one, two), (two, one)):
        for corner in range(3):
            start, end = faces[:, corner], faces[:, (corner + 1) % 3]
            free = ~((start[:, None] == others) | (end[:, None] == others)).any(axis=1)
            free &= ~hit & (shared < 2)
            which = np.flatnonzero(free)
            if len(which):
                hit[which] = _pierced(vertices[start[which]], vertices[end[which]], vertices[others[which]])
    side = np.flatnonzero(shared == 2)
    if len(side):
        hit[side] = _folded(vertices, one[side], two[side], np.asarray(same)[side])
    hit[shared == 3] = True
    return hit


def _dot(one: FloatArray, two: FloatArray) -> FloatArray:
    """(k,) products of vectors (k, 3), summed in the order of the compiled loops."""
    product: FloatArray = one[:, 0] * two[:, 0] + one[:, 1] * two[:, 1] + one[:, 2] * two[:, 2]
    return product


def _pierced(start: FloatArray, end: FloatArray, face: FloatArray) -> BoolArray:
    """Whether segments (k, 3) pass through faces (k, 3, 3); the rim of a face belongs to it, and lying in its plane does not count."""
    origin = face[:, 0]
    u, v = face[:, 1] - origin, face[:, 2] - origin
    normal = np.cross(u, v)
    length: FloatArray = np.sqrt(_dot(normal, normal))
    unit = normal / np.maximum(length, 1e-300)[:, None]
    above = _dot(unit, start - origin)
    below = _dot(unit, end - origin)
    scale = np.maximum(np.abs(u).max(axis=1), np.abs(v).max(axis=1)) + np.abs(end - start).max(axis=1)
    slack = 1e-11 * scale
    passes = ((above >= -slack) & (below <= slack)) | ((above <= slack) & (below >= -slack))
    passes &= (np.abs(above - below) > 4 * slack) & (length > 0)
    share = np.clip(above / np.where(passes, above - below, 1.0), 0.0, 1.0)
    at = start + share[:, None] * (end - start) - origin
    inverse = 1 / np.maximum(length, 1e-150) ** 2
    beta = _dot(np.cross(at, v), normal) * inverse
    gamma = _dot(np.cross(u, at), normal) * inverse
    edge = 1e-9
    inside: BoolArray = passes & (beta >= -edge) & (gamma >= -edge) & (beta + gamma <= 1 + edge)
    return inside


def _folded(vertices: FloatArray, one: IntArray, two: IntArray, same: BoolArray) -> BoolArray:
    """Faces on a common side that lie on the same side of it in (nearly) one plane."""
    lone_one = one[np.arange(len(one)), np.argmin(np.asarray(same.any(axis=2)), axis=1)]
    lone_two = two[np.arange(len(two)), np.argmin(same.any(axis=1), axis=1)]
    common: BoolArray = np.asarray(same.any(axis=2))
    first = one[np.arange(len(one)), np.argmax(common, axis=1)]
    last = one[np.arange(len(one)), 2 - np.argmax(common[:, ::-1], axis=1)]
    along = vertices[last] - vertices[first]
    along = along / np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]

    def away(point: IntArray) -> FloatArray:
        to = vertices[point] - vertices[first]
        to = to - _dot(to, along)[:, None] * along
        result: FloatArray = to / np.maximum(np.linalg.norm(to, axis=1), 1e-300)[:, None]
        return result

    folded: BoolArray = _dot(away(lone_one), away(lone_two)) > FOLD
    return folded
