"""Shells: pieces of skin joined along edges; their volume when closed; regions of a face set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lint import loops
from lint.measure import measure
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Faces, Skin
from lint.measure.vectors import columns, cross, dot, minus, picked
from lint.terms import BoolArray, FloatArray, IntArray, NotRun, Place


@dataclass(frozen=True)
class Shells:
    """label: (m,) shell of each face, -1 for worthless faces; the rest are (s,) a shell, numbered from the largest area down.

    closed: every edge has two faces that agree in direction; volume: signed mm3, NaN when not closed;
    low, high: (s, 3) corners; area mm2; faces: how many.
    """

    label: IntArray
    count: int
    faces: IntArray
    area: FloatArray
    low: FloatArray
    high: FloatArray
    closed: BoolArray
    volume: FloatArray


@measure
def shells(skin: Skin, edges: Edges, facets: Faces) -> Shells:
    """Faces joined across edges (also crowded ones) form a shell. Volume by the divergence theorem, from the shell's own corner
    so that large coordinates do not cost precision; only for closed shells, since an open one has none."""
    m = len(skin.faces)
    same = np.ones(max(len(edges.order) - 1, 0), dtype=bool)
    same[edges.begin[1:-1] - 1] = False
    one, two = edges.order[:-1][same] // 3, edges.order[1:][same] // 3
    raw, names = components(m, one, two)
    real = edges.half_edge[::3] >= 0
    whole = bool(real.all())
    raw = raw if whole else raw[real]
    area = np.bincount(raw, weights=facets.area if whole else facets.area[real], minlength=names)
    held = np.bincount(raw, minlength=names)
    kept = np.flatnonzero(held)
    ranked = kept[np.argsort(-area[kept], kind="stable")]
    rank = np.full(names, -1, dtype=np.int64)
    rank[ranked] = np.arange(len(ranked))
    count = len(ranked)
    mine = rank[raw]
    label = np.full(m, -1, dtype=np.int64)
    label[real] = mine
    faces = skin.faces if whole else skin.faces[real]
    if loops.there():
        low, high = loops.shell_boxes(skin.vertices, faces, mine, count)
        volumes = loops.shell_volumes(skin.vertices, faces, mine, low)
    else:
        low, high = _boxes(skin, faces, mine, count)
        volumes = _volumes(skin, faces, mine, low, count)
    closed = np.ones(count, dtype=bool)
    wrong = edges.count != 2
    if wrong.any():
        closed[label[edges.order[np.repeat(wrong, edges.count)] // 3]] = False
    closed[label[edges.neighbours[~edges.agree][:, 0]]] = False
    return Shells(
        label=label,
        count=count,
        faces=held[ranked].astype(np.int64),
        area=area[ranked].astype(np.float64),
        low=low,
        high=high,
        closed=closed,
        volume=np.where(closed, volumes, np.nan),
    )


def _boxes(skin: Skin, faces: IntArray, label: IntArray, count: int) -> tuple[FloatArray, FloatArray]:
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    for axis, along in enumerate(columns(skin.vertices)):
        at = np.take(along, faces)
        if count == 1:
            low[0, axis], high[0, axis] = at.min(), at.max()
            continue
        least, most = (end(end(at[:, 0], at[:, 1]), at[:, 2]) for end in (np.minimum, np.maximum))
        np.minimum.at(low[:, axis], label, least)
        np.maximum.at(high[:, axis], label, most)
    return low, high


def _volumes(skin: Skin, faces: IntArray, label: IntArray, low: FloatArray, count: int) -> FloatArray:
    point, start = columns(skin.vertices), columns(low)
    origin = start if count == 1 else picked(start, label)
    a, b, c = (minus(picked(point, np.ascontiguousarray(faces[:, i])), origin) for i in range(3))
    return np.bincount(label, weights=dot(a, cross(b, c)), minlength=count) / 6


@measure
def volume(shells: Shells) -> float:
    """Signed volume of the whole part in mm3, cavities taken off. Raises NotRun while any shell is open: it has none."""
    if not shells.count or not bool(shells.closed.all()):
        raise NotRun("an open or unevenly wound shell has no volume")
    return float(shells.volume.sum())


def regions(chosen: IntArray, pairs: IntArray, count: int) -> list[IntArray]:
    """Groups of the chosen faces that hang together across `pairs` (k, 2); `count` faces in all. Largest group first."""
    label, several = joined(chosen, pairs, count)
    if several < 2:
        return [np.asarray(chosen)] if several else []
    order = np.argsort(label, kind="stable")
    groups = np.split(np.asarray(chosen)[order], np.flatnonzero(np.diff(label[order])) + 1)
    return sorted(groups, key=len, reverse=True)


def joined(chosen: IntArray, pairs: IntArray, count: int) -> tuple[IntArray, int]:
    """The group of each of the chosen faces (k,), and how many groups there are, as in `regions`."""
    if not len(chosen):
        return np.zeros(0, dtype=np.int64), 0
    new = np.full(count, -1, dtype=np.int64)
    new[chosen] = np.arange(len(chosen))
    a, b = (np.take(new, np.ascontiguousarray(pairs[:, k])) for k in (0, 1))
    keep = (a >= 0) & (b >= 0)
    return components(len(chosen), a[keep], b[keep])


def around(skin: Skin, faces: IntArray) -> Place:
    """The place of a group of faces: the middle of their box and the farthest corner from it."""
    return around_points(skin.vertices[points_of(skin, faces)], faces)


def points_of(skin: Skin, faces: IntArray) -> IntArray:
    """Numbers of the skin points that some faces use, each once, in order."""
    if len(faces) < len(skin.faces) // 16:
        return np.unique(skin.faces[faces])
    used = np.zeros(len(skin.vertices), dtype=bool)
    used[skin.faces[faces]] = True
    return np.flatnonzero(used)


def around_points(points: FloatArray, faces: IntArray | None = None) -> Place:
    """The place of some points (k, 3): the middle of their box and the farthest of them from it."""
    axes = columns(points)
    centre = [(along.min() + along.max()) / 2 for along in axes]
    off = [along - middle for along, middle in zip(axes, centre, strict=True)]
    reach = float(np.sqrt((off[0] * off[0] + off[1] * off[1] + off[2] * off[2]).max()))
    return Place((float(centre[0]), float(centre[1]), float(centre[2])), reach, faces)
