"""Closed shells that share volume, lie buried in one another, or touch: grouped, with what they share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from lint.measure import measure
from lint.measure.crossings import Crossings
from lint.measure.joining import components
from lint.measure.nesting import Nesting
from lint.measure.shells import Shells
from lint.measure.surface import Skin
from lint.terms import FloatArray, IntArray

ASKED = 64  # points of a shell that are asked whether they lie within another
NEAR = 1e-6  # inside means a winding number past a half by more than the rounding of the sum


@dataclass(frozen=True)
class Overlap:
    """Closed shells that hang together by overlapping, and the true cavities that belong to them.

    shells, cavities: shell numbers; how: "share", "buried" (every overlap is one shell wholly within another) or "touch";
    sound: whether none of the shells crosses itself; volume: mm3 counted more than once, NaN unless sound;
    contact: mm2 of skin lying on skin; seam: mm of skin crossing skin; buried: mm3 of the shells wholly within others, `inner`
    their number; spots: (k, 3) points of the overlap, mm; faces: those concerned, for drawing.
    """
    shells: IntArray
    cavities: IntArray
    how: str
    sound: bool
    volume: float
    contact: float
    seam: float
    buried: float
    inner: int
    spots: FloatArray
    faces: IntArray


@measure
def overlaps(skin: Skin, shells: Shells, crossings: Crossings, nesting: Nesting) -> tuple[Overlap, ...]:
    """Groups of overlapping closed shells, the largest volume first. A true cavity overlaps nothing unless it breaks its wall.

    What is shared is the sum of the signed volumes less the volume of the union (by manifold3d, on these shells only).
    Open shells have no volume and take no part; where they cross others is in `crossings`.
    """
    crossed = _crossing_pairs(shells, crossings)
    buried = _buried_pairs(skin, shells, nesting, crossed)
    links = np.vstack((crossed, buried))
    if not len(links):
        return ()
    label = _groups(links, shells.count)
    owner = owners(shells, nesting)
    selfcrossing = np.zeros(shells.count, dtype=bool)
    selfcrossing[shells.label[crossings.pairs[crossings.within, 0]]] = True
    groups = [_group(skin, shells, crossings, nesting, np.flatnonzero(label == g), buried, owner, selfcrossing)
              for g in np.unique(label[links[:, 0]])]  # fmt: skip
    return tuple(sorted(groups, key=lambda g: -float(np.abs(shells.volume[g.shells]).sum())))


def _crossing_pairs(shells: Shells, crossings: Crossings) -> IntArray:
    """(k, 2) pairs of closed shells whose skins cross or lie on each other."""
    between = crossings.pairs[~crossings.within]
    pairs = np.sort(shells.label[between], axis=1)
    pairs = pairs[shells.closed[pairs].all(axis=1)]
    key = np.unique(pairs[:, 0] * max(shells.count, 1) + pairs[:, 1])
    return np.stack((key // max(shells.count, 1), key % max(shells.count, 1)), axis=1)


def _buried_pairs(skin: Skin, shells: Shells, nesting: Nesting, crossed: IntArray) -> IntArray:
    """(k, 2) pairs (shell, the innermost solid around it) of shells wholly or partly in the solid of others without a crossing found."""
    sign = np.where(nesting.cavity, -1, 1)
    around = np.bincount(nesting.inner, weights=sign[nesting.outer].astype(np.float64), minlength=shells.count)
    found: list[tuple[int, int]] = []
    for shell in np.flatnonzero((around >= 1) & ~nesting.cavity):
        outer = nesting.outer[nesting.inner == shell]
        outer = outer[~nesting.cavity[outer]]
        found.append((int(shell), int(outer[np.argmax(nesting.depth[outer])])))
    known = {tuple(sorted(p)) for p in (*crossed.tolist(), *np.stack((nesting.inner, nesting.outer), axis=1).tolist())}
    solid = np.flatnonzero(shells.closed & (np.nan_to_num(shells.volume) != 0) & ~nesting.cavity)
    for a, b in _box_pairs(shells, solid):
        if tuple(sorted((a, b))) not in known and (_reaches_into(skin, shells, a, b) or _reaches_into(skin, shells, b, a)):
            found.append((a, b))
    return np.array(found, dtype=np.int64).reshape(-1, 2)


def _box_pairs(shells: Shells, among: IntArray) -> list[tuple[int, int]]:
    from lint.measure.boxes import overlapping

    pairs: list[tuple[int, int]] = []
    for i, j in overlapping(shells.low[among], shells.high[among]):
        pairs += zip(among[i].tolist(), among[j].tolist(), strict=True)
    return sorted(pairs)


def _reaches_into(skin: Skin, shells: Shells, one: int, other: int) -> bool:
    """Whether points of shell `one`, well spread, lie in the solid of shell `other`: sought only where boxes overlap."""
    import igl

    faces = skin.faces[shells.label == one]
    points: FloatArray = skin.vertices[faces].mean(axis=1)
    room = float(np.linalg.norm(shells.high[other] - shells.low[other]))
    points = points[((points > shells.low[other] + 1e-6 * room) & (points < shells.high[other] - 1e-6 * room)).all(axis=1)]
    if not len(points):
        return False
    points = points[np.argsort(points @ np.array([0.541, 0.643, 0.542]))][np.linspace(0, len(points) - 1, ASKED).astype(np.int64)]
    w = np.abs(np.asarray(igl.fast_winding_number(skin.vertices, skin.faces[shells.label == other], points)))
    return bool((w > 0.75).mean() > 0.05)


def owners(shells: Shells, nesting: Nesting) -> IntArray:
    """(s,) for each true cavity the shell whose hollow it is, the innermost that faces out around it; -1 elsewhere."""
    owner = np.full(shells.count, -1, dtype=np.int64)
    for cavity in np.flatnonzero(nesting.cavity):
        outer = nesting.outer[nesting.inner == cavity]
        outer = outer[~nesting.cavity[outer]]
        if len(outer):
            owner[cavity] = outer[np.argmax(nesting.depth[outer])]
    return owner


def _groups(links: IntArray, count: int) -> IntArray:
    label: IntArray = components(count, links[:, 0], links[:, 1])[0]
    return label


def _group(
    skin: Skin, shells: Shells, crossings: Crossings, nesting: Nesting, members: IntArray, buried: IntArray, owner: IntArray,
    selfcrossing: Any,
) -> Overlap:  # fmt: skip
    cavities = np.union1d(members[nesting.cavity[members]], np.flatnonzero(np.isin(owner, members)))
    solids = members[~nesting.cavity[members]]
    here = ~crossings.within & np.isin(shells.label[crossings.pairs[:, 0]], members) & np.isin(shells.label[crossings.pairs[:, 1]], members)
    contact = float(crossings.amount[here & crossings.flat].sum())
    seam = float(crossings.amount[here & ~crossings.flat].sum())
    sound = not bool(selfcrossing[np.concatenate((solids, cavities))].any() or nesting.inside_out[solids].any())
    inner = np.unique(buried[np.isin(buried[:, 0], members), 0])
    hidden = float(np.abs(shells.volume[inner]).sum())
    volume = np.nan
    if sound:
        united = union(skin, shells, solids, cavities, owner)
        volume = np.nan if united is None else float(shells.volume[np.concatenate((solids, cavities))].sum()) - float(united.volume())
    scale = float(np.abs(shells.volume[solids]).min())
    nothing = crossings.tolerance * contact + 1e-9 * scale
    if not here.any():
        how = "buried"
    elif not len(inner) and seam == 0 and np.isfinite(volume) and abs(volume) <= nothing:
        how = "touch"
    else:
        how = "share"
    spots = np.vstack((crossings.start[here], crossings.end[here], shells.low[inner], shells.high[inner]))
    faces = np.unique(np.concatenate((crossings.pairs[here].reshape(-1), np.flatnonzero(np.isin(shells.label, inner)))))
    return Overlap(solids, cavities, how, sound, volume, contact, seam, hidden, len(inner), spots, faces)


def union(skin: Skin, shells: Shells, solids: IntArray, cavities: IntArray, owner: IntArray) -> Any:
    """The union of the solids as a manifold3d.Manifold, each less its own cavities; None when manifold3d refuses one of them.

    A cavity belongs to one solid, so another solid that reaches into it stays (a winding number of one or more is solid,
    as 3MF Core 1.4.0, 4.1.1 has it). Points of the shells that stay are kept to the last bit.
    """
    import manifold3d

    pieces = []
    for solid in solids:
        piece = _solid(skin, shells, int(solid), False)
        hollows = [_solid(skin, shells, int(c), True) for c in cavities if owner[c] == solid]
        if piece is None or None in hollows:
            return None
        pieces.append(manifold3d.Manifold.batch_boolean([piece, *hollows], manifold3d.OpType.Subtract) if hollows else piece)
    united = manifold3d.Manifold.batch_boolean(pieces, manifold3d.OpType.Add)
    return united if united.status() == manifold3d.Error.NoError else None


def _solid(skin: Skin, shells: Shells, shell: int, turned: bool) -> Any:
    import manifold3d

    used, faces = np.unique(skin.faces[shells.label == shell], return_inverse=True)
    faces = faces.reshape(-1, 3)
    faces = np.ascontiguousarray(faces[:, ::-1] if turned else faces, dtype=np.uint64)
    solid = manifold3d.Manifold(manifold3d.Mesh64(np.ascontiguousarray(skin.vertices[used]), faces))
    return solid if solid.status() == manifold3d.Error.NoError and not solid.is_empty() else None
