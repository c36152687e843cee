"""Open pieces that are no part of the solid to be: skin that nobody sees, skin scanned twice, table, and crumbs that no patch closes.

Each is told by what it is like beside the rest of the skin, never by which file it came in; what is left out is said, and where.
"""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.displacement import sample
from lint.measure.edges import Rim
from lint.measure.nearest import distance_to_faces
from lint.measure.rays import Rays
from lint.measure.specks import SHEET
from lint.shape.facing import SCRAP_SHARE
from lint.terms import FloatArray, IntArray

LOOKS = 24  # directions in which each sampled point looks for a way out
ASKED = 400  # points sampled on a piece
UNSEEN = 0.01  # of the looks of a piece may get out: at seams rays slip through
DOUBLE = 0.01  # of the part's diagonal: skin no farther from other skin all over is that skin scanned again
ALL_OVER = 0.97

HIDDEN = "open skin inside that nobody sees"
TWICE = "skin that was scanned twice"
TABLE = "a flat open sheet, such as a table"
CRUMB = "an open crumb that no patch closes"


def main_shell(survey: Survey) -> int:
    """The largest shell that is not a flat open sheet; the largest of all when there is no other. -1 for no shells."""
    shells = survey.get("shells")
    flat = flat_sheets(survey)
    plain = np.flatnonzero(~np.isin(np.arange(shells.count), flat))
    return int(plain[0]) if len(plain) else (0 if shells.count else -1)


def flat_sheets(survey: Survey) -> IntArray:
    """Open shells as flat as a scanned table: six standard deviations of its points across its plane against its length."""
    skin, shells = survey.get("skin"), survey.get("shells")
    found = []
    for shell in np.flatnonzero(~shells.closed):
        faces = skin.faces[shells.label == shell]
        points = skin.vertices[np.unique(faces)]
        if len(faces) < 8:
            continue
        spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False) / np.sqrt(len(points))
        if 6 * spread[2] < SHEET * float(np.linalg.norm(np.ptp(points, axis=0))):
            found.append(int(shell))
    return np.array(found, dtype=np.int64)


def left_out(survey: Survey, main: int) -> dict[int, str]:
    """Open shells that are left out whatever patch might fit them: {shell: why}."""
    shells = survey.get("shells")
    found: dict[int, str] = {}
    others = [int(s) for s in np.flatnonzero(~shells.closed) if s != main]
    if not others or main < 0:
        return found
    flat = set(flat_sheets(survey).tolist()) if shells.count > 1 else set()
    for shell in others:
        if shell in flat and main not in flat:
            found[shell] = TABLE
        elif twice(survey, shell, main):
            found[shell] = TWICE
    return found


def hopeless(survey: Survey, kept: Rim | None, main: int, failed: set[int]) -> dict[int, str]:
    """Open shells with a rim that no patch closes, that can be spared all the same: {shell: why}."""
    shells = survey.get("shells")
    found: dict[int, str] = {}
    for shell in sorted(failed - {main}):
        if shells.area[shell] < SCRAP_SHARE * shells.area[main]:
            found[shell] = CRUMB
        elif unseen(survey, shell, kept):
            found[shell] = HIDDEN
    return found


def twice(survey: Survey, shell: int, main: int) -> bool:
    """Whether a shell lies close along the main one all over, and is the smaller of the two by far."""
    skin, shells = survey.get("skin"), survey.get("shells")
    if shells.area[shell] > 0.5 * shells.area[main]:
        return False
    points, _, _ = sample(skin.vertices, skin.faces[shells.label == shell], ASKED, 3)
    if not len(points):
        return False
    far = distance_to_faces(points, skin.vertices, skin.faces[shells.label == main])
    return bool((far < DOUBLE * survey.get("extent").diagonal).mean() > ALL_OVER)


def unseen(survey: Survey, shell: int, kept: Rim | None) -> bool:
    """Whether hardly any ray from either side of a shell gets out past all the skin; the rim that stays open is taken as shut."""
    skin, shells, rays = (survey.get(n) for n in ("skin", "shells", "rays"))
    points, normals, _ = sample(skin.vertices, skin.faces[shells.label == shell], ASKED, 5)
    rng = np.random.default_rng(5)
    lid = _lid(skin.vertices, kept)
    out = total = 0
    for _ in range(LOOKS):
        way = rng.normal(size=(len(points), 3))
        way /= np.linalg.norm(way, axis=1, keepdims=True)
        side = np.where(np.einsum("ij,ij->i", way, normals) < 0, -1.0, 1.0)
        start = points + (2 * rays.gap * side)[:, None] * normals
        free = ~np.isfinite(rays.first(start, way)[1])
        if lid is not None:
            free &= ~np.isfinite(lid.first(start, way)[1])
        out, total = out + int(free.sum()), total + len(points)
        if total and out > 4 * UNSEEN * total:
            return False
    return out <= UNSEEN * total


def _lid(vertices: FloatArray, kept: Rim | None) -> Rays | None:
    if kept is None:
        return None
    ring = vertices[kept.points]
    points = np.vstack((ring, ring.mean(axis=0)))
    here = np.arange(len(ring))
    faces = np.stack((here, np.roll(here, -1), np.full(len(ring), len(ring))), axis=1)
    cross = np.cross(points[faces[:, 1]] - points[faces[:, 0]], points[faces[:, 2]] - points[faces[:, 0]])
    return Rays(points, faces, cross / np.maximum(np.linalg.norm(cross, axis=1, keepdims=True), 1e-300))
