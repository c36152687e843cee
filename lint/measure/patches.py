"""Skin as a cloud of small patches: calmed normals, and the flat regions among them. For finding gauges in a noisy scan."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure import Survey
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Skin, weld_exact
from lint.terms import BoolArray, FloatArray, IntArray, Part

# Above this many faces the search runs on a thinned copy; the length is still fitted to every face of the scan itself.
SEARCHED = 60_000

# A flat region may turn this far from its own normal: calmed scan noise does, and a curved skin is cut off early.
CONE = np.cos(np.radians(15.0))

# A region is flat when its bow is under this share of its width. The cap of a ball cut off at the cone bows by 6 %.
BOW = 0.015

MANY = 200  # faces in a region from which its box is taken by area, so that no single spike stretches it
TRIMMED = 0.005  # the share of the area left out at either end of each side of that box

SEEDS = 500  # regions tried; the smallest face of a gauge that is 1 % of the skin is missed once in 150 searches


@dataclass(frozen=True)
class Patches:
    """centre, normal (calmed, unit), cross (area vector, mm2): (m, 3); area: (m,); pairs: (k, 2) neighbouring faces;
    corners: (m, 3, 3) the corners of each face; size: the diagonal of the box round everything."""
    centre: FloatArray
    normal: FloatArray
    cross: FloatArray
    area: FloatArray
    pairs: IntArray
    corners: FloatArray
    size: float


@dataclass(frozen=True)
class Flat:
    """A flat region: faces; unit normal; middle (3,), area; rms distance from its plane; axes (2, 3) in the plane, along and across its
    smallest box, with low and high (2,) of that box measured from the middle."""
    faces: IntArray
    normal: FloatArray
    middle: FloatArray
    area: float
    rms: float
    axes: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def fill(self) -> float:
        """The share of its box that the region covers: 1 for a whole rectangle."""
        return self.area / float(np.prod(self.high - self.low))


def patches(part: Part) -> Patches:
    """The patches of the whole skin of a part."""
    survey = Survey(part)
    skin: Skin = survey.get("skin")
    return _patches(skin, survey.get("edges"))


def _patches(skin: Skin, edges: Edges) -> Patches:
    corners = skin.vertices[skin.faces]
    cross: FloatArray = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) / 2
    area: FloatArray = np.linalg.norm(cross, axis=1)
    pairs = edges.neighbours
    size = float(np.linalg.norm(np.ptp(corners.reshape(-1, 3), axis=0))) if len(corners) else 0.0
    return Patches(corners.mean(axis=1), calmed(cross, pairs), cross, area, pairs, corners, size)


def thinned(part: Part, cell: float) -> Patches:
    """The patches of a copy whose points are gathered into cubes of `cell`: planes and balls keep their shape, noise gets less."""
    low = part.vertices.min(axis=0)
    box = np.floor((part.vertices - low) / cell).astype(np.int64)
    _, old = weld_exact(box.astype(np.float64))
    count = np.bincount(old)
    middle = np.stack([np.bincount(old, weights=part.vertices[:, k]) / count for k in range(3)], axis=1)
    faces = old[part.faces]
    real = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return patches(part.with_mesh(middle, faces[real]))


def searched(part: Part) -> Patches:
    """The patches that a search looks at: all of them, or those of a thinned copy when there are very many."""
    if len(part.faces) <= SEARCHED:
        return patches(part)
    a, b, c = (part.vertices[part.faces[:, k]] for k in range(3))
    area = float(np.linalg.norm(np.cross(b - a, c - a), axis=1).sum()) / 2
    return thinned(part, (2 * area / SEARCHED) ** 0.5)


def calmed(cross: FloatArray, pairs: IntArray) -> FloatArray:
    """Unit normals (m, 3) from area vectors averaged over neighbours, turning corners kept.

    Area vectors are averaged, not unit normals: over a patch their sum depends on its rim alone, so noise inside cancels. A very rough skin
    is first averaged regardless of corners; then a neighbour counts by how nearly it faces the same way (bilateral filter).
    """
    if not len(pairs):
        return _unit(cross)
    one, two = np.concatenate((pairs[:, 0], pairs[:, 1])), np.concatenate((pairs[:, 1], pairs[:, 0]))
    unit = _unit(cross)
    level = np.quantile(np.einsum("ij,ij->i", unit[pairs[:, 0]], unit[pairs[:, 1]]), 0.75)  # corners are the other quarter, or more
    rough = float(np.degrees(np.arccos(np.clip(level, -1, 1))))
    plain = 0 if rough < 4 else 2 if rough < 10 else 4
    vectors = cross
    for turn in range(plain + 6):
        if turn < plain:
            weight = np.ones(len(one))
        else:
            unit = _unit(vectors)
            facing = np.einsum("ij,ij->i", unit[one], unit[two])
            weight = np.exp(-(1 - facing) / 0.12)  # 28 degrees apart counts a third
        total = np.stack([np.bincount(one, weights=weight * vectors[two, k], minlength=len(cross)) for k in range(3)], axis=1)
        vectors = (vectors + total) / (1 + np.bincount(one, weights=weight, minlength=len(cross)))[:, None]
    return _unit(vectors)


def _unit(vectors: FloatArray) -> FloatArray:
    length = np.linalg.norm(vectors, axis=1, keepdims=True)
    return np.asarray(np.divide(vectors, length, out=np.zeros_like(vectors), where=length > 0))


def flats(patches: Patches, seed: int = 0) -> list[Flat]:
    """The flat regions of a skin, largest first, by growing from seeds taken evenly by area (seeded)."""
    rng = np.random.default_rng(seed)
    free = (patches.area > 0) & (np.abs(patches.normal).max(axis=1) > 0.5)
    found: list[Flat] = []
    for _ in range(SEEDS):
        if not free.any():
            break
        weight = np.cumsum(np.where(free, patches.area, 0.0))
        start = int(np.searchsorted(weight, rng.random() * weight[-1]))
        flat, tried = grow(patches, start, free)
        free[tried] = False
        free[start] = False
        if flat is not None:
            free[flat.faces] = False
            found.append(flat)
    return sorted(found, key=lambda f: -f.area)


def grow(patches: Patches, start: int, free: BoolArray) -> tuple[Flat | None, IntArray]:
    """The flat region round one face, or None, and the faces that need not be tried again."""
    normal = patches.normal[start]
    faces = _connected(patches, free & (patches.normal @ normal > CONE), start)
    tried = faces[patches.normal[faces] @ normal > np.cos(np.radians(8.0))]
    if _bowed(patches, faces) > 3 * BOW:  # clearly curved: most seeds end here
        return None, tried
    for _ in range(3):
        middle, spread = moments(patches, faces)
        direction = np.linalg.eigh(spread)[1][:, 0]
        if not patches.area[faces] @ (patches.normal[faces] @ direction) > 0:
            direction = -direction
        if direction @ normal < 0.9:  # the least spread is not across the region: a sliver or a crumpled patch
            return None, tried
        normal = direction
        offset = (patches.centre[faces] - middle) @ normal
        rough = spread_of(offset, patches.area[faces])
        near = free & (patches.normal @ normal > CONE) & (np.abs((patches.centre - middle) @ normal) <= 3.5 * rough + 1e-5 * patches.size)
        if not near[start]:
            return None, tried
        before, faces = len(faces), _connected(patches, near, start)
        if len(faces) == before:
            break
    return described(patches, faces, normal), tried


def described(patches: Patches, faces: IntArray, normal: FloatArray) -> Flat | None:
    """A region with its plane and box, or None when it bows and so is not flat."""
    middle, spread = moments(patches, faces)
    values, vectors = np.linalg.eigh(spread)
    normal = vectors[:, 0] * np.sign(vectors[:, 0] @ normal)
    axes, low, high = _box(patches, faces, middle, vectors[:, 1:].T)
    if (high - low).min() <= 0:
        return None
    if _bowed(patches, faces) > BOW:
        return None
    return Flat(faces, normal, middle, float(patches.area[faces].sum()), float(np.sqrt(max(values[0], 0.0))), axes, low, high)


def _connected(patches: Patches, mask: BoolArray, start: int) -> IntArray:
    """The faces of a mask that hang together with one of them."""
    chosen = np.flatnonzero(mask)
    new = np.full(len(mask), -1, dtype=np.int64)
    new[chosen] = np.arange(len(chosen))
    a, b = new[patches.pairs[:, 0]], new[patches.pairs[:, 1]]
    keep = (a >= 0) & (b >= 0)
    label = components(len(chosen), a[keep], b[keep])[0]
    faces: IntArray = chosen[label == label[new[start]]]
    return faces


def moments(patches: Patches, faces: IntArray) -> tuple[FloatArray, FloatArray]:
    """The middle of a region and its second moments over the area, (3, 3), exact over each triangle."""
    corners, area = patches.corners[faces], patches.area[faces]
    total = area.sum()
    middle = np.einsum("i,ij->j", area, corners.mean(axis=1)) / total
    from_middle = corners - middle
    sums = from_middle.sum(axis=1)
    second = np.einsum("i,ikj,ikl->jl", area, from_middle, from_middle) + np.einsum("i,ij,il->jl", area, sums, sums)
    return middle, second / (12 * total)


def spread_of(offset: FloatArray, area: FloatArray) -> float:
    """A standard deviation that outliers do not pull: from the area-weighted median of the distances."""
    order = np.argsort(np.abs(offset))
    half = np.searchsorted(np.cumsum(area[order]), area.sum() / 2)
    return 1.4826 * float(np.abs(offset)[order[min(int(half), len(order) - 1)]])


def _bowed(patches: Patches, faces: IntArray) -> float:
    """How far a region bows, as a share of its width: the range of the best second-degree surface over it, without its slope.

    Fewer than 24 faces cannot tell a bow from noise, and count as flat. The width is that of a rectangle of the same second moment.
    """
    if len(faces) < 24:
        return 0.0
    middle, spread = moments(patches, faces)
    values, vectors = np.linalg.eigh(spread)
    from_middle = patches.centre[faces] - middle
    height, u, v = (from_middle @ vectors).T
    scale = max(float(np.ptp(u)), float(np.ptp(v)), 1e-300)
    u, v = u / scale, v / scale
    terms = np.stack((np.ones_like(u), u, v, u * u, u * v, v * v), axis=1)
    root = np.sqrt(patches.area[faces])
    fitted, *_ = np.linalg.lstsq(terms * root[:, None], height * root, rcond=None)
    return float(np.ptp(terms[:, 3:] @ fitted[3:])) / max(float(np.sqrt(12 * max(values[1], 0.0))), 1e-300)


def _box(patches: Patches, faces: IntArray, middle: FloatArray, plane: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """The smallest rectangle round a region: its directions (2, 3), low and high (2,) from the middle.

    Of few faces, round all their corners (a side of it lies on the convex outline). Of many, round all but a sliver of their area.
    """
    from lint.measure.bed import outline

    if len(faces) < MANY:
        flat = (patches.corners[faces].reshape(-1, 3) - middle) @ plane.T
        hull = outline(flat)
        sides = np.roll(hull, -1, axis=0) - hull
        axes = _smallest(hull, np.unique(np.round(np.arctan2(sides[:, 1], sides[:, 0]) % (np.pi / 2), 4)), 0.0)
        along = flat @ axes.T
        return axes @ plane, along.min(axis=0), along.max(axis=0)
    weight = np.cumsum(patches.area[faces])  # 2,000 faces drawn evenly by area speak for all
    drawn = np.searchsorted(weight, (np.arange(2000) + 0.5) / 2000 * weight[-1]).clip(max=len(faces) - 1)
    flat = (patches.centre[faces[drawn]] - middle) @ plane.T
    axes = _smallest(flat, np.radians(np.arange(0.0, 90.0, 2.0)), TRIMMED)
    turned = np.arctan2(axes[0, 1], axes[0, 0]) + np.radians(np.arange(-2.0, 2.01, 0.1))
    axes = _smallest(flat, turned, TRIMMED)
    low, high = np.quantile(flat @ axes.T, (TRIMMED, 1 - TRIMMED), axis=0)
    grown = TRIMMED / (1 - 2 * TRIMMED) * (high - low)  # an evenly covered rectangle gets back what was left out
    return axes @ plane, low - grown, high + grown


def _smallest(flat: FloatArray, angle: FloatArray, trimmed: float) -> FloatArray:
    """Of the directions tried (radians), the pair (2, 2) with the smallest rectangle round points (n, 2) of a plane."""
    along = np.stack((np.cos(angle), np.sin(angle)), axis=1)
    across = np.stack((-np.sin(angle), np.cos(angle)), axis=1)

    def width(way: FloatArray) -> FloatArray:
        low, high = np.quantile(flat @ way.T, (trimmed, 1 - trimmed), axis=0)
        return np.asarray(high - low)

    best = int((width(along) * width(across)).argmin())
    return np.stack((along[best], across[best]))
