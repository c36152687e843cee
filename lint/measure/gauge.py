"""A gauge in a scan: a straight bar or block, found by its flat faces, and its length fitted, not clicked.

A block is known by what nothing else in a scan has: two flat faces that look away from each other, and at least two more that stand
square on both and end where they end. One standing on a table still shows five faces. The length is the distance of two
parallel planes, fitted together to every face of the scan inside their rims, so that noise averages out and rounded edges do
not count.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lint.measure.patches import Flat, Patches, flats, grow, moments, patches, searched, spread_of
from lint.terms import BoolArray, Declined, FloatArray, IntArray, Part

# Two ends of a gauge are parallel to seconds of arc; in a scan, noise of 0.3 mm on a 20 mm face tilts it by half a degree, warping more.
PARALLEL = np.cos(np.radians(4.0))
SQUARE = np.sin(np.radians(6.0))

# How far past an end a side may reach, or stop short of it, as a share of the length: scans round an edge by 1 to 2 mm of 40.
OVERSHOOT = 0.08
SHORTFALL = 0.15

# Least share of its rectangle that each face must show, so that a scrap of something flat is not taken for a face.
FILLED = 0.55

# Roughness against length. Phones measure to about 0.5 mm (facts 3.6.6), which on 40 mm is 1.3 %; rougher is not worth trusting.
ROUGH = 0.015

# Opposite pairs of one cube (40 mm each way) must agree, or it is not a cube, or warped: then nothing is averaged.
CUBE = 0.03


@dataclass(frozen=True)
class Gauge:
    """A gauge found: start and end (3,) at its two ends, length, rms and worst distance of the skin from the fitted faces (all in part
    numbers), coverage: the share of its faces that the scan shows; evidence: what was seen, in bench words."""

    kind: str
    start: FloatArray
    end: FloatArray
    length: float
    rms: float
    worst: float
    coverage: float
    evidence: str
    middle: FloatArray = field(default_factory=lambda: np.zeros(3))
    others: tuple[float, ...] = ()


@dataclass(frozen=True)
class _Pair:
    one: int
    two: int
    apart: float
    sides: tuple[int, ...]


def find_blocks(part: Part) -> list[Gauge]:
    """Every bar or block of the scan, the largest first, each measured along every direction of which both ends are seen.

    Several gauges of one block have one middle. An empty list when there is none: nothing is guessed.
    """
    coarse = searched(part)
    regions = [f for f in flats(coarse) if f.fill >= FILLED]
    pairs = [p for i in range(len(regions)) for p in _partners(regions, i)]
    fine = coarse if len(coarse.area) == len(part.faces) else patches(part)
    found: list[Gauge] = []
    for block in _blocks(pairs):
        gauges = [g for p in block if (g := _measured(fine, regions, p)) is not None]
        longest = max((g.length for g in gauges), default=0.0)
        if longest and max(_reach(regions, p) for p in block) <= 1.08 * longest:
            middle = np.mean([(g.start + g.end) / 2 for g in gauges], axis=0)
            gauges = [_about(g, middle, gauges) for g in gauges]
            found.extend(sorted(gauges, key=lambda g: -g.length))
    return found


def _partners(regions: list[Flat], i: int) -> list[_Pair]:
    """The later regions that face away from this one, with the sides that stand between them."""
    one = regions[i]
    found = []
    for j in range(i + 1, len(regions)):
        two = regions[j]
        if one.normal @ two.normal > -PARALLEL:
            continue
        normal = one.normal - two.normal
        normal = normal / np.linalg.norm(normal)
        apart = float((one.middle - two.middle) @ normal)
        if apart <= 0 or max(one.rms, two.rms) > ROUGH * apart or not _overlap(one, two, normal, apart):
            continue
        sides = tuple(k for k in range(len(regions)) if k not in (i, j) and _side(regions[k], one, two, normal, apart))
        directions = np.array([regions[k].normal for k in sides])
        if len(sides) >= 2 and (directions @ directions.T < 0.9).any():
            found.append(_Pair(i, j, apart, sides))
    return found


def _overlap(one: Flat, two: Flat, normal: FloatArray, apart: float) -> bool:
    """Whether two opposite faces lie behind each other and are about the same size, in the frame of the first."""
    if not 0.4 <= one.area / two.area <= 2.5:
        return False
    centre = two.middle + apart * normal - one.middle
    away = np.abs(one.axes @ centre - (one.low + one.high) / 2)
    half = (one.high - one.low) / 2
    if (half < 0.04 * apart).any():  # a bar is no needle: thinner than 1 in 12, its ends cannot be fitted
        return False
    return bool((away <= 0.6 * half + OVERSHOOT * apart).all())


def _side(side: Flat, one: Flat, two: Flat, normal: FloatArray, apart: float) -> bool:
    """Whether a region stands square between two ends, from one to the other, and closes them off outside."""
    if abs(side.normal @ normal) > SQUARE:
        return False
    box = _box(side)
    along = (box - two.middle) @ normal / apart
    if along.min() < -OVERSHOOT or along.max() > 1 + OVERSHOOT or along.min() > SHORTFALL or along.max() < 1 - SHORTFALL:
        return False
    for end in (one, two):
        corners = _box(end)
        out = (corners - side.middle) @ side.normal
        width = float(np.ptp(out))
        if out.max() > OVERSHOOT * max(width, apart / 4) or out.max() < -SHORTFALL * max(width, apart / 4):
            return False
        across = np.cross(normal, side.normal)  # side and end must share that edge, not lie somewhere along its line
        mine, its = box @ across, corners @ across
        shared = min(mine.max(), its.max()) - max(mine.min(), its.min())
        if shared < 0.6 * max(np.ptp(mine), np.ptp(its)):
            return False
    return True


def _box(flat: Flat) -> FloatArray:
    """The four corners of a region's rectangle, (4, 3)."""
    u, v = np.array([[0, 0], [0, 1], [1, 1], [1, 0]]).T
    side = flat.high - flat.low
    along, across = (flat.low[0] + u * side[0])[:, None], (flat.low[1] + v * side[1])[:, None]
    return np.asarray(flat.middle + along * flat.axes[0] + across * flat.axes[1])


def _blocks(pairs: list[_Pair]) -> list[list[_Pair]]:
    """Pairs that share a face belong to one block; of pairs along one direction the best seen is kept."""
    groups: list[tuple[set[int], list[_Pair]]] = []
    for pair in pairs:
        faces = {pair.one, pair.two, *pair.sides}
        joined = [g for g in groups if g[0] & faces]
        groups = [g for g in groups if not g[0] & faces]
        groups.append((faces.union(*(g[0] for g in joined)), [pair, *(p for g in joined for p in g[1])]))
    return [group for _, group in groups]


def _reach(regions: list[Flat], pair: _Pair) -> float:
    """The longest side of any face of a block: if no pair of ends lies as far apart, its ends were not both seen."""
    return max(float((regions[k].high - regions[k].low).max()) for k in (pair.one, pair.two, *pair.sides))


def _measured(fine: Patches, regions: list[Flat], pair: _Pair) -> Gauge | None:
    """The pair fitted to every face of the scan, or None when the fit is poor."""
    one, two = regions[pair.one], regions[pair.two]
    fitted = fit_ends(fine, one, two)
    if fitted is None:
        return None
    start, end, rms, worst, covered = fitted
    length = float(np.linalg.norm(end - start))
    if rms > ROUGH * length or covered < FILLED:
        return None
    shown = 2 + len(pair.sides)
    return Gauge("block", start, end, length, rms, worst, covered, f"{shown} square faces seen", (start + end) / 2)


def fit_ends(fine: Patches, one: Flat, two: Flat) -> tuple[FloatArray, FloatArray, float, float, float] | None:
    """Two parallel planes fitted together to two opposite faces: a point on each, rms and worst distance, share of the faces seen.

    One normal for both (least squares: the smallest axis of the summed scatter), faces near the rim left out because scans round
    edges, faces past 3.5 spreads left out because scans grow warts. None when too little is left.
    """
    normal = one.normal - two.normal
    normal = normal / np.linalg.norm(normal)
    chosen = []
    for flat, sign in ((one, 1.0), (two, -1.0)):
        inside = _inside(fine, flat, sign * normal, 0.1)
        if fine.area[inside].sum() < 0.3 * flat.area:  # few large faces: none has its middle well inside
            inside = _inside(fine, flat, sign * normal, 0.0)
        if not len(inside):
            return None
        chosen.append(inside)
    kept = chosen
    for _ in range(4):
        about = [moments(fine, k) for k in kept]
        areas = [float(fine.area[k].sum()) for k in kept]
        normal = np.linalg.eigh(sum(a * m[1] for a, m in zip(areas, about, strict=True)))[1][:, 0]
        normal = normal * np.sign(normal @ (one.normal - two.normal))
        offsets = [(fine.centre[k] - m[0]) @ normal for k, m in zip(chosen, about, strict=True)]
        rough = max(spread_of(o, fine.area[k]) for o, k in zip(offsets, chosen, strict=True)) + 1e-9 * fine.size
        kept = [k[np.abs(o) <= 3.5 * rough] for o, k in zip(offsets, chosen, strict=True)]
        if not len(kept[0]) or not len(kept[1]):
            return None
    middles = [moments(fine, k)[0] for k in kept]
    apart = float((middles[0] - middles[1]) @ normal)
    lateral = (middles[0] + middles[1]) / 2
    end = lateral + ((middles[0] - lateral) @ normal) * normal
    distance = np.concatenate([(fine.corners[k].reshape(-1, 3) - m) @ normal for k, m in zip(kept, middles, strict=True)])
    covered = min(one.fill, two.fill, 1.0)
    return end - apart * normal, end, float(np.sqrt(np.mean(distance**2))), float(np.abs(distance).max()), covered


def _inside(fine: Patches, flat: Flat, normal: FloatArray, rim: float) -> IntArray:
    """The faces of the scan that belong to a flat region, their middles at least `rim` of its width inside its rectangle."""
    from_middle = fine.centre - flat.middle
    along = from_middle @ flat.axes.T
    margin = rim * (flat.high - flat.low)
    near = np.abs(from_middle @ flat.normal) <= 4 * flat.rms + 1e-4 * float((flat.high - flat.low).max())
    within = (along >= flat.low + margin).all(axis=1) & (along <= flat.high - margin).all(axis=1)
    return np.flatnonzero(near & within & (fine.normal @ normal > 0.7) & (fine.area > 0))


def _about(gauge: Gauge, middle: FloatArray, others: list[Gauge]) -> Gauge:
    lengths = tuple(sorted((g.length for g in others if g is not gauge), reverse=True))
    return Gauge(gauge.kind, gauge.start, gauge.end, gauge.length, gauge.rms, gauge.worst, gauge.coverage, gauge.evidence, middle, lengths)


def snap_ends(part: Part, start: FloatArray, end: FloatArray) -> Gauge:
    """Two rough picks moved onto the flat end faces nearest to them, which must look away from each other.

    Raises Declined when there is no flat face at either pick, when they are not parallel, or when the fit leaves the picks:
    then the picks are no ends of a gauge, and are better used as they are.
    """
    scene = patches(part)
    apart = float(np.linalg.norm(end - start))
    along = (end - start) / apart
    ends = []
    for point, outward, word in ((start, -along, "first"), (end, along, "second")):
        distance = np.linalg.norm(scene.centre - point, axis=1)
        reach = distance <= 0.5 * apart
        free = reach & (scene.normal @ outward > np.cos(np.radians(30.0)))
        flat = _nearest_flat(scene, distance, free)
        if flat is None or flat.rms > ROUGH * apart or (flat.high - flat.low).min() < 0.05 * apart:
            raise Declined(f"there is no flat end at the {word} point")
        lateral = (point - flat.middle) @ flat.axes.T
        room = 0.1 * (flat.high - flat.low) + OVERSHOOT * apart
        beside = bool((np.maximum(flat.low - lateral, lateral - flat.high) > room).any())
        if beside or abs((point - flat.middle) @ flat.normal) > OVERSHOOT * apart:
            raise Declined(f"the {word} point does not lie on the flat face nearest to it")
        ends.append(flat)
    if ends[0].normal @ ends[1].normal > -PARALLEL:
        raise Declined("the faces at the two points are not parallel")
    fitted = fit_ends(scene, ends[1], ends[0])
    if fitted is None:
        raise Declined("the faces at the two points show too little skin to be fitted")
    low, high, rms, worst, covered = fitted
    length = float(np.linalg.norm(high - low))
    if abs(length / apart - 1) > 0.1:
        raise Declined(f"the faces nearest to the points lie {length:.4g} apart, the points {apart:.4g}")
    middle = (start + end) / 2
    shift = middle - (low + high) / 2
    shift = shift - (shift @ (high - low)) / length**2 * (high - low)
    return Gauge("ends", low + shift, high + shift, length, rms, worst, covered, "two parallel end faces", middle)


def _nearest_flat(scene: Patches, distance: FloatArray, free: BoolArray) -> Flat | None:
    """The flat region nearest to a point, among a few seeds close to it."""
    order = np.flatnonzero(free)[np.argsort(distance[free])]
    for seed in order[: 4 * 12 : 4]:
        flat, _ = grow(scene, int(seed), free)
        if flat is not None and flat.fill >= 0.4 and len(flat.faces) >= 2:
            return flat
    return None
