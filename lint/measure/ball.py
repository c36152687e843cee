"""A gauge ball in a scan: found by pairs of normals that meet in one centre, fitted to every face on it.

Two patches of a ball, p and q with outward normals m and n, give its radius at once: r = (p - q).(m - n) / |m - n|^2, and their
normals must meet. Pairs are drawn at every size, vote for a centre and a radius, and the best voted spots are fitted and
tested: how much of the ball is there, how rough, and how round. (Least squares on the true distances, Gauss-Newton.)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint.measure.gauge import Gauge
from lint.measure.patches import Patches, patches, searched
from lint.terms import FloatArray, IntArray, Part

# A ball on a table shows about 60 %, and less where the phone never went; heads and knuckles show under 40 % that is round.
COVERED = 0.40

# Out of round as a share of the radius, noise taken off. A gauge ball is round; what a scan adds on 25 mm is 0.1 mm or so.
OUT_OF_ROUND = 0.012

# Roughness as a share of the radius: 0.3 mm on a 25 mm ball; rougher, the diameter cannot be had to a fifth of a percent.
ROUGH = 0.025

DRAWN = 15_000  # patches drawn evenly by area
PAIRS = 6_000  # pairs drawn at each size
SIZES = 14  # sizes tried, from a hundredth of the scene up to half of it
TRIED = 60  # best voted spots that are fitted
CELLS = 240  # directions over the sphere in which skin is looked for
LOOKED = 32  # ... and at a first look


@dataclass(frozen=True)
class _Fit:
    centre: FloatArray
    radius: float
    faces: IntArray


def find_balls(part: Part) -> list[Gauge]:
    """Every ball of the scan, the best covered first; an empty list when there is none."""
    coarse = searched(part)
    if not len(coarse.area) or coarse.size <= 0:
        return []
    fine = coarse if len(coarse.area) == len(part.faces) else patches(part)
    found: list[Gauge] = []
    for centre, radius in _voted(coarse):
        if any(np.linalg.norm(g.middle - centre) < 0.25 * g.length and radius < g.length for g in found):
            continue
        fit = _fitted(coarse, centre, radius)
        if fit is not None:
            fit = _fitted(fine, fit.centre, fit.radius, settled=True)
        gauge = None if fit is None else _tested(fine, fit)
        if gauge is not None and not any(np.linalg.norm(g.middle - gauge.middle) < 0.25 * g.length for g in found):
            found.append(gauge)
    return sorted(found, key=lambda g: -g.coverage)


def _voted(scene: Patches) -> list[tuple[FloatArray, float]]:
    """Centres and radii on which many pairs of patches agree, most agreed first."""
    from scipy.spatial import cKDTree

    rng = np.random.default_rng(25)
    weight = np.cumsum(scene.area)
    drawn = np.searchsorted(weight, rng.random(DRAWN) * weight[-1]).clip(max=len(weight) - 1)
    share = rng.dirichlet((1, 1, 1), DRAWN)
    point = np.einsum("ij,ijk->ik", share, scene.corners[drawn])
    normal = scene.normal[drawn]
    tree = cKDTree(point)
    centres, radii = [], []
    for size in np.geomspace(scene.size / 100, scene.size / 2, SIZES):
        one = rng.integers(0, DRAWN, PAIRS)
        aside = rng.normal(size=(PAIRS, 3))
        aside -= np.einsum("ij,ij->i", aside, normal[one])[:, None] * normal[one]
        aside *= (size * rng.uniform(0.5, 1.5, PAIRS) / np.maximum(np.linalg.norm(aside, axis=1), 1e-300))[:, None]
        away, two = tree.query(point[one] + aside, distance_upper_bound=1.5 * size)
        real = np.isfinite(away)
        one, two = one[real], np.asarray(two)[real]
        apart, turned = point[one] - point[two], normal[one] - normal[two]
        square = np.einsum("ij,ij->i", turned, turned)
        bent = (square > 0.07) & (square < 2.4)  # normals 15 to 100 degrees apart: nearer gives no radius, farther no neighbour
        apart, turned, square, one, two = apart[bent], turned[bent], square[bent], one[bent], two[bent]
        radius = np.einsum("ij,ij->i", apart, turned) / square
        miss = np.linalg.norm(apart - radius[:, None] * turned, axis=1)
        good = (radius > scene.size / 400) & (radius < scene.size) & (miss < 0.15 * radius)
        one, two, radius = one[good], two[good], radius[good]
        centres.append((point[one] + point[two] - radius[:, None] * (normal[one] + normal[two])) / 2)
        radii.append(radius)
    voted = _peaks(np.vstack(centres), np.concatenate(radii))
    return [(centre, radius) for centre, radius in voted if _looks_round(point, normal, centre, radius)]


def _peaks(centres: FloatArray, radii: FloatArray) -> list[tuple[FloatArray, float]]:
    """The spots with most votes, those within a fifth of the radius counted together; in boxes shifted by half as well, so that no
    wall of a box splits a peak."""
    from lint.measure.surface import weld_exact

    if not len(radii):
        return []
    found: list[tuple[int, FloatArray, float]] = []
    for shift in (0.0, 0.5):
        level = np.floor(np.log(radii) / np.log(1.2) + shift)
        size = 0.25 * 1.2**level
        box = np.floor(centres / size[:, None] + shift)
        _, place = weld_exact(box)
        _, spot = np.unique(place * 4096 + (level - level.min()).astype(np.int64), return_inverse=True)
        count = np.bincount(spot)
        for k in np.argsort(-count)[:TRIED]:
            if count[k] >= 6:
                mine = spot == k
                found.append((int(count[k]), np.median(centres[mine], axis=0), float(np.median(radii[mine]))))
    found.sort(key=lambda f: -f[0])
    return [(centre, radius) for _, centre, radius in found[:TRIED]]


def _looks_round(point: FloatArray, normal: FloatArray, centre: FloatArray, radius: float) -> bool:
    """Whether enough directions from a voted centre hold skin at about its radius: a look, before any fitting."""
    out = point - centre
    distance = np.linalg.norm(out, axis=1)
    near = np.abs(distance - radius) < 0.15 * radius
    out, distance = out[near], distance[near]
    facing = np.einsum("ij,ij->i", out, normal[near]) > 0.8 * distance
    if facing.sum() < 12:
        return False
    cell = _nearest_direction(out[facing] / distance[facing, None], LOOKED)
    return len(np.unique(cell)) >= 0.7 * COVERED * LOOKED


def _fitted(scene: Patches, centre: FloatArray, radius: float, *, settled: bool = False) -> _Fit | None:
    """A ball fitted from a first guess: the skin near it that faces outward, narrowed turn by turn to 3.5 spreads."""
    width = (0.05 if settled else 0.15) * radius
    faces = np.zeros(0, dtype=np.int64)
    first = radius
    around = np.flatnonzero((np.abs(scene.centre - centre) <= 1.5 * radius).all(axis=1) & (scene.area > 0))
    points, normals = scene.centre[around], scene.normal[around]
    for _ in range(12):
        out = points - centre
        distance = np.linalg.norm(out, axis=1)
        facing = np.einsum("ij,ij->i", out, normals) > 0.85 * distance
        near = np.flatnonzero((np.abs(distance - radius) < width) & facing)
        if len(near) < 8:
            return None
        area = scene.area[around[near]]
        unit = out[near] / distance[near, None]
        # distance falls by unit . step as the centre moves: least squares for the step and the radius together
        terms = np.hstack((unit, np.ones((len(near), 1)))) * np.sqrt(area)[:, None]
        step, *_ = np.linalg.lstsq(terms, distance[near] * np.sqrt(area), rcond=None)
        centre, radius = centre + step[:3], float(step[3])
        if not 0.7 * first < radius < 1.4 * first:
            return None
        left = np.abs(distance[near] - unit @ step[:3] - radius)
        order = np.argsort(left)
        half = int(np.searchsorted(np.cumsum(area[order]), area.sum() / 2).clip(max=len(near) - 1))
        spread = 1.4826 * float(left[order[half]])
        faces = around[near]
        following = max(3.5 * spread, 2e-3 * radius)
        if float(np.linalg.norm(step[:3])) < 1e-9 * radius and following >= 0.98 * width:
            break
        width = min(following, 0.15 * radius)
    return _Fit(centre, radius, faces)


def _tested(scene: Patches, fit: _Fit) -> Gauge | None:
    """The ball as a gauge, or None when too little of it is there, or it is rough, or out of round."""
    out = scene.centre[fit.faces] - fit.centre
    distance = np.linalg.norm(out, axis=1)
    area = scene.area[fit.faces]
    sag = _sag(scene, fit)
    off = distance + sag - fit.radius
    rms = float(np.sqrt(area @ off**2 / area.sum()))
    cell = _nearest_direction(out / distance[:, None], CELLS)
    skin = np.bincount(cell, weights=area, minlength=CELLS)
    whole = 4 * np.pi * fit.radius**2 / CELLS
    seen = skin > 0.4 * whole
    covered = float(np.minimum(skin, whole).sum() / (4 * np.pi * fit.radius**2))
    if covered < COVERED or rms > ROUGH * fit.radius or seen.sum() < COVERED * CELLS:
        return None
    count = np.bincount(cell, minlength=CELLS)[seen]
    mean = np.bincount(cell, weights=area * off, minlength=CELLS)[seen] / skin[seen]
    by_chance = rms / np.sqrt(np.maximum(count, 1))
    if np.sqrt(max(float(np.mean(mean**2 - by_chance**2)), 0.0)) > OUT_OF_ROUND * fit.radius or not _square_on(scene, fit):
        return None
    radius = fit.radius + float(area @ sag / area.sum())
    up = np.array([0.0, 0.0, radius])
    return Gauge(
        "ball", fit.centre - up, fit.centre + up, 2 * radius, rms, float(np.abs(off).max()), covered,
        f"{100 * covered:.0f} % of the ball seen", fit.centre,
    )  # fmt: skip


def _sag(scene: Patches, fit: _Fit) -> FloatArray:
    """How much nearer to the centre the middle of each face lies than its corners: flat faces cut a corner off a ball.

    The corners lie on the ball, so for a face with corners at mean square distance s from its middle the middle is s / (2 r) inside.
    Half of what noise adds to the size of a face is noise; only the true size matters, and it is far larger.
    """
    corners = scene.corners[fit.faces]
    square = ((corners - corners.mean(axis=1, keepdims=True)) ** 2).sum(axis=2).mean(axis=1)
    return np.asarray(square / (2 * fit.radius))


def _square_on(scene: Patches, fit: _Fit) -> bool:
    """Whether the calmed normals point away from the centre, as those of a ball do and those of a crumpled heap do not."""
    out = scene.centre[fit.faces] - fit.centre
    cosine = np.einsum("ij,ij->i", out, scene.normal[fit.faces]) / np.linalg.norm(out, axis=1)
    area = scene.area[fit.faces]
    return bool(area @ np.minimum(cosine, 1.0) / area.sum() > np.cos(np.radians(12.0)))


def _nearest_direction(unit: FloatArray, cells: int) -> IntArray:
    """For each direction (k, 3) the nearest of so many spread evenly over the sphere (golden-angle spiral)."""
    from scipy.spatial import cKDTree

    k = np.arange(cells) + 0.5
    z = 1 - 2 * k / cells
    turn = np.pi * (1 + 5**0.5) * k
    across = np.sqrt(1 - z * z)
    spiral = np.stack((across * np.cos(turn), across * np.sin(turn), z), axis=1)
    return np.asarray(cKDTree(spiral).query(unit)[1], dtype=np.int64)
