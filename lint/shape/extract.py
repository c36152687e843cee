"""A skin drawn round the inside of a field, cell by cell, on a thin band of cells only.

Each cell whose corners are partly inside gets one ring of points on its sides for each sheet that passes through it, and the
ring is filled. The rings are linked face by face of the cells by one rule that both neighbours see alike, so the skin closes
and every edge has two faces, whatever the field (W. E. Lorensen, H. E. Cline, Marching cubes, SIGGRAPH 1987; the rule for
doubtful faces keeps inside corners apart). A ring on a crease gets a point in its middle that is set on the crease, and
neighbouring crease points are joined (L. P. Kobbelt et al., Feature sensitive surface extraction, SIGGRAPH 2001).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from lint.measure.joining import components
from lint.shape.field import HALF, Field
from lint.terms import BoolArray, FloatArray, IntArray

CORNER = np.array([(x, y, z) for z in (0, 1) for y in (0, 1) for x in (0, 1)], dtype=np.int64)
# Sides of a cell as pairs of corners; the corner order within a face is counter-clockwise seen from outside the cell.
SIDE = np.array(
    [(a, a | bit) for bit in (1, 2, 4) for a in range(8) if not a & bit], dtype=np.int64
)
FACE = ((0, 4, 6, 2), (1, 3, 7, 5), (0, 1, 5, 4), (2, 6, 7, 3), (0, 2, 3, 1), (4, 5, 7, 6))
COARSE = 24  # cells along the longest side at the start of the refinement
ODD = np.array([2.3719, 2.4127, 2.3391])  # flat sides must not lie just on the corners of cells
CREASE = float(np.cos(np.radians(25.0)))


@dataclass(frozen=True)
class Drawn:
    """vertices: (n, 3) and faces: (m, 3) of a new skin; start: (n, 3) where the points were before they were set on the old skin;
    gap: (n,) how far the old skin was from there."""
    vertices: FloatArray
    faces: IntArray
    start: FloatArray
    gap: FloatArray


@dataclass(frozen=True)
class _Rings:
    """For each of the 256 sorts of cell: its rings as chains of sides. link: (k, 4) sort, ring, side, next side; size, plain: (256, 4)."""
    link: IntArray
    begin: IntArray
    count: NDArray[np.int64]
    size: IntArray
    doubtful: BoolArray


@cache
def _rings() -> _Rings:
    number = {(int(a), int(b)): k for k, (a, b) in enumerate(SIDE)} | {(int(b), int(a)): k for k, (a, b) in enumerate(SIDE)}
    links: list[tuple[int, int, int, int]] = []
    size = np.zeros((256, 4), dtype=np.int64)
    count = np.zeros(256, dtype=np.int64)
    doubtful = np.zeros((256, 4), dtype=bool)
    begin = np.zeros(257, dtype=np.int64)
    for sort in range(256):
        inside = [bool(sort >> c & 1) for c in range(8)]
        following: dict[int, int] = {}
        unsure: set[int] = set()
        for face in FACE:
            crossings = 0
            for k in range(4):
                if inside[face[k]] and not inside[face[(k + 1) % 4]]:
                    back = k
                    while inside[face[(back - 1) % 4]]:
                        back -= 1
                    following[number[face[k], face[(k + 1) % 4]]] = number[face[(back - 1) % 4], face[back % 4]]
                    crossings += 1
            if crossings == 2:
                unsure |= {number[face[k], face[(k + 1) % 4]] for k in range(4)}
        ring = 0
        while following:
            at = first = min(following)
            while at in following:
                to = following.pop(at)
                links.append((sort, ring, at, to))
                size[sort, ring] += 1
                doubtful[sort, ring] |= at in unsure
                at = to
            assert at == first
            ring += 1
        count[sort] = ring
        begin[sort + 1] = len(links)
    return _Rings(np.array(links, dtype=np.int64), begin, count, size, doubtful)


def band(field: Field, pitch: float, only: tuple[FloatArray, float] | None = None) -> tuple[IntArray, FloatArray]:
    """Cells (k, 3) of size `pitch` that may hold the border between inside and outside, found from coarse to fine; and their origin.

    only: points (p, 3) and a reach: cells farther from all the points are left out (a patch is wanted, not a whole skin).
    """
    used = field.vertices[field.faces.reshape(-1)]
    low, high = used.min(axis=0) - ODD * pitch, used.max(axis=0) + 2 * pitch
    levels = max(0, int(np.ceil(np.log2(float((high - low).max()) / pitch / COARSE))))
    size = pitch * 2.0**levels
    count = np.ceil((high - low) / size).astype(np.int64)
    cells = np.stack(np.meshgrid(*(np.arange(c) for c in count), indexing="ij"), axis=-1).reshape(-1, 3)
    for level in range(levels + 1):
        if level:
            cells = (2 * cells[:, None] + CORNER[None]).reshape(-1, 3)
            size /= 2
        middle = low + (cells + 0.5) * size
        near = np.ones(len(cells), dtype=bool) if only is None else _within(middle, only[0], only[1] + size)
        cells, middle = cells[near], middle[near]
        keep = field.nearest(middle)[0] <= 0.867 * size * (1 + 1e-9)
        if not field.whole:
            keep[~keep] = _mixed(field, low, cells[~keep], size)
        cells = cells[keep]
    return cells, low


def _within(points: FloatArray, spots: FloatArray, reach: float) -> BoolArray:
    from scipy.spatial import cKDTree

    found: BoolArray = np.isfinite(cKDTree(spots).query(points, distance_upper_bound=reach)[0])
    return found


def _mixed(field: Field, low: FloatArray, cells: IntArray, size: float) -> BoolArray:
    """(k,) cells away from the skin that a film over a hole may pass: their corners are partly inside, or nearly a half."""
    if not len(cells):
        return np.zeros(0, dtype=bool)
    key, index, _ = _corners(cells)
    w = field.winding(low + key * size)
    corner = w[index]
    mixed: BoolArray = (corner.min(axis=1) < HALF + 0.02) & (corner.max(axis=1) > HALF - 0.02)
    return mixed


def _corners(cells: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Distinct corners (c, 3) of cells, for each cell its eight (k, 8), and the packed keys (c,) in order."""
    base = cells.min(axis=0)
    span = cells.max(axis=0) - base + 2
    at = (cells - base)[:, None, :] + CORNER[None]
    key, index = np.unique((at[..., 0] * span[1] + at[..., 1]) * span[2] + at[..., 2], return_inverse=True)
    corner = np.stack((key // (span[1] * span[2]), key // span[2] % span[1], key % span[2]), axis=1) + base
    return corner, index.reshape(len(cells), 8), key


def draw(field: Field, cells: IntArray, low: FloatArray, pitch: float, *, grow: bool = True) -> Drawn:
    """The border between inside and outside of the field within the cells (k, 3), its points set on the exposed skin where it is near.

    grow: go on into neighbouring cells wherever the border leaves the band, so that the skin comes out closed.
    """
    corner, index, _ = _corners(cells)
    inside, distance, w = _values(field, low, pitch, corner)
    while grow:
        more = _leaving(cells, inside[index])
        if not len(more):
            break
        cells = np.vstack((cells, more))
        known = {"corner": corner, "inside": inside, "distance": distance, "w": w}
        corner, index, _ = _corners(cells)
        inside, distance, w = _values_again(field, low, pitch, corner, known)
    sort = (inside[index].astype(np.int64) << np.arange(8)).sum(axis=1)
    mixed = (sort > 0) & (sort < 255)
    if not mixed.any():
        nothing = np.zeros((0, 3))
        return Drawn(nothing, np.zeros((0, 3), dtype=np.int64), nothing, np.zeros(0))
    return _fill(field, cells[mixed], index[mixed], sort[mixed], corner, inside, distance, w, low, pitch)


def _values(field: Field, low: FloatArray, pitch: float, corner: IntArray) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Inside or not, distance and winding number at grid corners (c, 3). Corners with no skin between them share one winding number."""
    points = low + corner * pitch
    distance = field.nearest(points)[0]
    if not field.whole or not len(points):  # cells grown into a gap of the band can have all their corners already
        w = field.winding(points)
        return w >= HALF, distance, w
    group = _clear_groups(corner, distance if field.every is field.exposed else field.clear(points), pitch)
    _, first, back = np.unique(group, return_index=True, return_inverse=True)
    w = field.winding(points[first])[back]
    return w >= HALF, distance, w


def _clear_groups(corner: IntArray, clear: FloatArray, pitch: float) -> IntArray:
    """(c,) groups of grid corners joined by sides that no skin touches: where the clear distances at both ends cover the side."""
    base, span = corner.min(axis=0), corner.max(axis=0) - corner.min(axis=0) + 2
    weight = np.array([span[1] * span[2], span[2], 1])
    key = (corner - base) @ weight
    order = np.argsort(key)
    ordered = key[order]
    one: list[IntArray] = []
    two: list[IntArray] = []
    for step in weight:
        place = np.searchsorted(ordered, key + step).clip(max=len(key) - 1)
        there = np.flatnonzero(ordered[place] == key + step)
        other = order[place[there]]
        safe = clear[there] + clear[other] > pitch * (1 + 1e-9)
        one.append(there[safe])
        two.append(other[safe])
    rows, columns = np.concatenate(one), np.concatenate(two)
    label: IntArray = components(len(corner), rows, columns)[0]
    return label


def _values_again(
    field: Field, low: FloatArray, pitch: float, corner: IntArray, known: dict[str, NDArray[np.generic]]
) -> tuple[BoolArray, FloatArray, FloatArray]:
    """Values at corners, computed only where they were not known."""
    old = known["corner"]
    both = np.vstack((old, corner)).astype(np.int64)
    base, span = both.min(axis=0), both.max(axis=0) - both.min(axis=0) + 1
    key = ((both - base) @ np.array([span[1] * span[2], span[2], 1])).astype(np.int64)
    old_key, new_key = key[: len(old)], key[len(old) :]
    order = np.argsort(old_key)
    place = np.searchsorted(old_key[order], new_key).clip(max=len(old) - 1)
    same = old_key[order][place] == new_key
    inside, distance, w = (np.empty(len(corner), dtype=known[n].dtype) for n in ("inside", "distance", "w"))
    for target, name in ((inside, "inside"), (distance, "distance"), (w, "w")):
        target[same] = known[name][order[place[same]]]
    inside[~same], distance[~same], w[~same] = _values(field, low, pitch, corner[~same])
    return inside.astype(bool), distance.astype(np.float64), w.astype(np.float64)


def _leaving(cells: IntArray, inside: BoolArray) -> IntArray:
    """Neighbour cells not yet in the band, through whose common face the border passes."""
    out: list[IntArray] = []
    for face, step in zip(FACE, ((-1, 0, 0), (1, 0, 0), (0, -1, 0), (0, 1, 0), (0, 0, -1), (0, 0, 1)), strict=True):
        seen = inside[:, list(face)]
        out.append(cells[seen.any(axis=1) & ~seen.all(axis=1)] + np.array(step))
    wanted = np.vstack(out)
    both = np.vstack((cells, wanted))
    base, span = both.min(axis=0), both.max(axis=0) - both.min(axis=0) + 1
    key = (both - base) @ np.array([span[1] * span[2], span[2], 1])
    new = np.setdiff1d(key[len(cells) :], key[: len(cells)])
    found: IntArray = np.stack((new // (span[1] * span[2]), new // span[2] % span[1], new % span[2]), axis=1) + base
    return found


def _fill(
    field: Field, cells: IntArray, index: IntArray, sort: IntArray, corner: IntArray,
    inside: BoolArray, distance: FloatArray, w: FloatArray, low: FloatArray, pitch: float,
) -> Drawn:  # fmt: skip
    rings = _rings()
    many = rings.begin[sort + 1] - rings.begin[sort]
    cell = np.repeat(np.arange(len(cells)), many)
    row = np.arange(len(cell)) - np.repeat(np.cumsum(many) - many, many) + rings.begin[sort[cell]]
    ring_in_cell, one, two = rings.link[row, 1], rings.link[row, 2], rings.link[row, 3]
    ends = index[cell[:, None], SIDE[one]], index[cell[:, None], SIDE[two]]
    keys = [e.min(axis=1) * len(corner) + e.max(axis=1) for e in ends]
    side, number = np.unique(np.concatenate(keys), return_inverse=True)
    start, to = number[: len(cell)], number[len(cell) :]
    rank = cell * 4 + ring_in_cell
    names, ring = np.unique(rank, return_inverse=True)
    on_side = _on_sides(corner, side // len(corner), side % len(corner), inside, distance, w, low, pitch)
    gap, face, spot = field.nearest(on_side)
    close = gap <= 0.75 * pitch
    set_on = np.where(close[:, None], spot, on_side)
    ring_cell, ring_sort = names // 4, sort[names // 4]
    size, doubtful = rings.size[ring_sort, names % 4], rings.doubtful[ring_sort, names % 4]
    normal = field.normal[face]
    middle, crease = _middles(set_on, normal, close, start, ring, len(names), low + cells[ring_cell] * pitch, pitch)
    centred = crease | doubtful | (size > 4)
    middle_gap, _, middle_spot = field.nearest(middle)
    middle_close = middle_gap <= 0.75 * pitch
    centre_number = np.full(len(names), -1, dtype=np.int64)
    centre_number[centred] = len(side) + np.arange(int(centred.sum()))
    vertices = np.vstack((set_on, np.where(middle_close[:, None], middle_spot, middle)[centred]))
    faces = np.vstack((_fans(start, to, ring, centre_number), _without_centre(start, to, ring, centred, size)))
    faces = _join_creases(faces, centre_number[crease & centred], len(side))
    begin = np.vstack((on_side, _mean(on_side[start], ring, len(names))[centred]))
    return Drawn(vertices + field.origin, faces[:, ::-1], begin + field.origin, np.concatenate((gap, middle_gap[centred])))


def _on_sides(
    corner: IntArray, one: IntArray, two: IntArray, inside: BoolArray, distance: FloatArray, w: FloatArray, low: FloatArray, pitch: float
) -> FloatArray:
    """Where the border crosses each side: by distance where skin is near, by winding number on a film over a hole. Kept off the ends."""
    by_skin = distance[one] / np.maximum(distance[one] + distance[two], 1e-300)
    step = w[two] - w[one]
    by_film = (HALF - w[one]) / np.where(step == 0, 1.0, step)
    share = np.where(distance[one] + distance[two] < 1.5 * pitch, by_skin, by_film).clip(0.02, 0.98)
    points: FloatArray = low + (corner[one] + share[:, None] * (corner[two] - corner[one])) * pitch
    return points


def _middles(
    points: FloatArray, normal: FloatArray, close: BoolArray, member: IntArray, ring: IntArray, count: int,
    cell_low: FloatArray, pitch: float,
) -> tuple[FloatArray, BoolArray]:  # fmt: skip
    """A point in the middle of each ring, (count, 3), on the crease where planes at its points meet in one; and whether they do."""
    mean = _mean(points[member], ring, count)
    look = np.stack([np.bincount(ring, weights=normal[member, k], minlength=count) for k in range(3)], axis=1).astype(np.float64)
    look = look / np.maximum(np.linalg.norm(look, axis=1), 1e-300)[:, None]
    least = np.full(count, 1.0)
    np.minimum.at(least, ring, np.einsum("ij,ij->i", normal[member], look[ring]))
    all_close = np.ones(count, dtype=bool)
    all_close[ring[~close[member]]] = False
    crease = (least < CREASE) & all_close
    if not crease.any():
        return mean, crease
    chosen = np.flatnonzero(crease)
    new = np.full(count, -1, dtype=np.int64)
    new[chosen] = np.arange(len(chosen))
    here = np.flatnonzero(new[ring] >= 0)
    r, n = new[ring[here]], normal[member[here]]
    offset = np.einsum("ij,ij->i", n, points[member[here]] - mean[ring[here]])
    matrix, right = np.zeros((len(chosen), 3, 3)), np.zeros((len(chosen), 3))
    for a in range(3):
        right[:, a] = np.bincount(r, weights=n[:, a] * offset, minlength=len(chosen))
        for b in range(3):
            matrix[:, a, b] = np.bincount(r, weights=n[:, a] * n[:, b], minlength=len(chosen))
    value, vector = np.linalg.eigh(matrix)
    inverse = np.where(value > 0.05 * value[:, 2:], 1 / np.maximum(value, 1e-300), 0.0)
    move = np.einsum("kij,kj,klj,kl->ki", vector, inverse, vector, right)
    placed = mean.copy()
    placed[chosen] = np.clip(mean[chosen] + move, cell_low[chosen] + 0.03 * pitch, cell_low[chosen] + 0.97 * pitch)
    return placed, crease


def _mean(points: FloatArray, ring: IntArray, count: int) -> FloatArray:
    """(count, 3) the mean of the points (k, 3) of each ring."""
    size = np.maximum(np.bincount(ring, minlength=count), 1).astype(np.float64)
    return np.stack([np.bincount(ring, weights=points[:, k], minlength=count) / size for k in range(3)], axis=1)


def _fans(start: IntArray, to: IntArray, ring: IntArray, centre: IntArray) -> IntArray:
    chosen = np.flatnonzero(centre[ring] >= 0)
    return np.stack((start[chosen], to[chosen], centre[ring[chosen]]), axis=1)


def _without_centre(start: IntArray, to: IntArray, ring: IntArray, centred: BoolArray, size: IntArray) -> IntArray:
    """Rings of three become a face, rings of four two; links of a ring stand in a row."""
    first = np.flatnonzero(np.append(True, ring[1:] != ring[:-1]))
    kind = ring[first]
    three, four = first[~centred[kind] & (size[kind] == 3)], first[~centred[kind] & (size[kind] == 4)]
    return np.vstack((
        np.stack((start[three], start[three + 1], start[three + 2]), axis=1),
        np.stack((start[four], start[four + 1], start[four + 2]), axis=1),
        np.stack((start[four], start[four + 2], start[four + 3]), axis=1),
    ))  # fmt: skip


def _join_creases(faces: IntArray, crease_points: IntArray, sides: int) -> IntArray:
    """Turn the side between two fans whose middles both lie on a crease, so that the two middles are joined along it."""
    if not len(crease_points):
        return faces
    is_crease = np.zeros(int(faces.max()) + 1, dtype=bool)
    is_crease[crease_points] = True
    fan = np.flatnonzero(is_crease[faces[:, 2]])
    a, b = faces[fan, 0], faces[fan, 1]
    key = np.minimum(a, b) * (len(is_crease) + 1) + np.maximum(a, b)
    order = np.argsort(key)
    same = np.flatnonzero(key[order[1:]] == key[order[:-1]])
    one, two = fan[order[same]], fan[order[same + 1]]
    m, n = faces[one, 2], faces[two, 2]
    pair = np.minimum(m, n) * (len(is_crease) + 1) + np.maximum(m, n)
    _, back, times = np.unique(pair, return_inverse=True, return_counts=True)
    good = times[back] == 1
    one, two = one[good], two[good]
    turned = faces.copy()
    p, q, m, n = faces[one, 0], faces[one, 1], faces[one, 2], faces[two, 2]
    turned[one] = np.stack((p, n, m), axis=1)
    turned[two] = np.stack((q, m, n), axis=1)
    return turned
