"""Plants for the rules of the scan (2 to 11)."""

from __future__ import annotations

import numpy as np

from corpus import solids
from lint.rooms import all_rules
from tests.trial import MM, Bases, Planted, diagonal, patch, plants


def _reach(mesh: solids.Mesh, rng: np.random.Generator, low: float = 0.02, high: float = 0.12) -> float:
    return diagonal(mesh) * float(rng.uniform(low, high))


def _without(mesh: solids.Mesh, faces: np.ndarray) -> solids.Mesh:
    return mesh[0], np.delete(mesh[1], faces, axis=0)


def _outline(mesh: solids.Mesh, faces: np.ndarray) -> float:
    """Length of the border of a set of faces."""
    f = mesh[1][faces]
    ends = np.sort(np.vstack((f[:, [0, 1]], f[:, [1, 2]], f[:, [2, 0]])), axis=1)
    key, count = np.unique(ends[:, 0] * len(mesh[0]) + ends[:, 1], return_counts=True)
    single = key[count == 1]
    return float(np.linalg.norm(mesh[0][single // len(mesh[0])] - mesh[0][single % len(mesh[0])], axis=1).sum())


@plants(4)
def hole(rng: np.random.Generator, bases: Bases) -> Planted:
    """A patch of faces left out; every tenth time a single face; sometimes none at all."""
    name, mesh = bases.pick(rng)
    if rng.random() < 0.2:
        return Planted(4, mesh, False, f"{name}, whole")
    faces = patch(mesh, rng, 0.0 if rng.random() < 0.15 else _reach(mesh, rng))
    if len(faces) > len(mesh[1]) // 2:
        faces = faces[:1]
    return Planted(4, _without(mesh, faces), True, f"{name} without {len(faces)} faces", measured=None)


@plants(4)
def small_hole_measured(rng: np.random.Generator, bases: Bases) -> Planted:
    """One face left out: the rim is as long as its three sides."""
    name, mesh = bases.pick(rng)
    face = np.array([int(rng.integers(len(mesh[1])))])
    length = _outline(mesh, face)
    return Planted(4, _without(mesh, face), True, f"{name} without face {face[0]}", measured=length, within=1e-6 * length + 1e-6, count=1)


@plants(2)
def crack(rng: np.random.Generator, bases: Bases) -> Planted:
    """A patch cut loose along its border and shifted a hair; far beyond the limit it is an open edge, not a crack."""
    name, mesh = bases.pick(rng)
    faces = patch(mesh, rng, _reach(mesh, rng, 0.05, 0.15))
    limit = _crack_limit(mesh)
    wide = rng.random() < 0.3
    gap = limit * float(rng.uniform(8, 20) if wide else rng.uniform(0.05, 0.8))
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    used = np.unique(mesh[1][faces])
    new = np.full(len(mesh[0]), -1)
    new[used] = len(mesh[0]) + np.arange(len(used))
    changed = mesh[1].copy()
    changed[faces] = new[changed[faces]]
    vertices = np.vstack((mesh[0], mesh[0][used] + direction * gap))
    if len(faces) >= len(mesh[1]):
        return Planted(2, mesh, False, f"{name}, whole")
    shortest = _shortest(mesh)
    if wide and shortest < 3 * gap:  # a gap as wide as an edge is long could be matched to the wrong point: not a fair plant
        return Planted(2, mesh, False, f"{name}, whole")
    return Planted(2, (vertices, changed), not wide, f"{name}: {len(faces)} faces loose by {gap:.5f} (limit {limit:.5f})",
                   measured=None if wide else gap, within=gap * 0.02 + 1e-6)  # fmt: skip


def _crack_limit(mesh: solids.Mesh) -> float:
    """The limit in mm as the rule states it: a length, or a share of the diagonal."""
    rule = all_rules()[2]
    values = {k: float(v.default) for k, v in rule.limits.items() if not callable(v.default)}
    share = [v * diagonal(mesh) for k, v in values.items() if rule.limits[k].unit != "mm"]
    return min([v for k, v in values.items() if rule.limits[k].unit == "mm"] + share)


def _shortest(mesh: solids.Mesh) -> float:
    c = mesh[0][mesh[1]]
    return float(np.linalg.norm(c - np.roll(c, 1, axis=1), axis=2).min())


@plants(3)
def worthless_faces(rng: np.random.Generator, bases: Bases) -> Planted:
    """Faces without area, said twice, or folded back on themselves."""
    name, mesh = bases.pick(rng)
    kind = rng.integers(0, 4)
    many = int(rng.integers(1, 12))
    pick = rng.choice(len(mesh[1]), size=min(many, len(mesh[1])), replace=False)
    if kind == 0:
        return Planted(3, mesh, False, f"{name}, whole")
    if kind == 1:
        more = mesh[1][pick][:, [0, 1, 1]]
        return Planted(3, (mesh[0], np.vstack((mesh[1], more))), True, f"{name} with {len(pick)} faces of two corners",
                       measured=len(pick), within=0.0)  # fmt: skip
    if kind == 2:
        return Planted(3, (mesh[0], np.vstack((mesh[1], mesh[1][pick]))), True, f"{name} with {len(pick)} faces twice",
                       measured=len(pick), within=0.0)  # fmt: skip
    ends = np.sort(mesh[1][pick][:, :2], axis=1)
    tip = mesh[0][ends].mean(axis=1) + rng.normal(size=(len(pick), 3)) * 0.05 * diagonal(mesh)
    corner = len(mesh[0]) + np.arange(len(pick))
    fold = np.vstack((np.column_stack((ends, corner)), np.column_stack((ends[:, ::-1], corner))))
    return Planted(3, (np.vstack((mesh[0], tip)), np.vstack((mesh[1], fold))), True, f"{name} with {len(pick)} folded flaps",
                   measured=None)  # fmt: skip


@plants(5)
def fin(rng: np.random.Generator, bases: Bases) -> Planted:
    """A single face standing on an edge of the skin: that edge then has three."""
    name, mesh = bases.pick(rng)
    if rng.random() < 0.2:
        return Planted(5, mesh, False, f"{name}, whole")
    face = int(rng.integers(len(mesh[1])))
    a, b, c = mesh[0][mesh[1][face]]
    normal = np.cross(b - a, c - a)
    normal /= np.linalg.norm(normal)
    tip = (a + b) / 2 + normal * diagonal(mesh) * float(rng.uniform(0.01, 0.1))
    faces = np.vstack((mesh[1], [[mesh[1][face][0], mesh[1][face][1], len(mesh[0])]]))
    return Planted(5, (np.vstack((mesh[0], tip)), faces), True, f"{name} with a fin on face {face}", count=1)


@plants(6)
def pinch(rng: np.random.Generator, bases: Bases) -> Planted:
    """A small ball that touches the skin in one point; or stands off it by a hair."""
    name, mesh = bases.pick(rng)
    touches = rng.random() < 0.75
    vertex, normal = _outermost(mesh, rng)
    radius = diagonal(mesh) * float(rng.uniform(0.03, 0.1))
    gap = 0.0 if touches else radius * float(rng.uniform(0.05, 0.3))
    small = solids.ball(radius, level=2)
    tip = int(np.argmax(small[0] @ -normal))
    placed = small[0] - small[0][tip] + vertex + normal * gap
    if touches:
        placed[tip] = vertex
    return Planted(6, solids.joined(mesh, (placed, small[1])), touches, f"{name} with a ball {gap:.3f} off", count=1 if touches else None)


def _outermost(mesh: solids.Mesh, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """A point of the convex hull and a direction in which all else lies behind it, so that a small ball fits there."""
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    return mesh[0][int(np.argmax(mesh[0] @ direction))], direction


@plants(7)
def flipped_patch(rng: np.random.Generator, bases: Bases) -> Planted:
    """A patch wound the wrong way."""
    name, mesh = bases.pick(rng)
    if rng.random() < 0.2:
        return Planted(7, mesh, False, f"{name}, whole")
    faces = patch(mesh, rng, 0.0 if rng.random() < 0.2 else _reach(mesh, rng))
    if len(faces) >= len(mesh[1]) // 2:
        faces = faces[:1]
    changed = mesh[1].copy()
    changed[faces] = changed[faces][:, ::-1]
    return Planted(7, (mesh[0], changed), True, f"{name} with {len(faces)} faces turned over")


@plants(8)
def inside_out(rng: np.random.Generator, bases: Bases) -> Planted:
    """A shell inside out, alone or as one of two; a true cavity is right as it is."""
    name, mesh = bases.pick(rng)
    kind = rng.integers(0, 4)
    if kind == 0:
        return Planted(8, mesh, False, f"{name}, whole")
    if kind == 1:
        return Planted(8, solids.flipped(mesh), True, f"{name} inside out", count=1)
    size = diagonal(mesh)
    if kind == 2:
        other = solids.ball(size * 0.3, tuple(mesh[0].max(axis=0) + size * 0.5), level=2)
        return Planted(8, solids.joined(mesh, solids.flipped(other)), True, f"{name} beside a ball inside out", count=1)
    outer = solids.ball(size, tuple(mesh[0].mean(axis=0)), level=3)
    return Planted(8, solids.joined(outer, solids.flipped(mesh)), False, f"{name} as a cavity in a ball")


@plants(9)
def skin_through_skin(rng: np.random.Generator, bases: Bases) -> Planted:
    """A point of the skin pushed right through the far side; or only a little, so that nothing crosses."""
    name, mesh = bases.pick(rng)
    through = rng.random() < 0.7
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    index = int(np.argmax(mesh[0] @ direction))
    vertices = mesh[0].copy()
    if through:
        reach = (mesh[0] @ direction).max() - (mesh[0] @ direction).min()
        vertices[index] = vertices[index] - direction * reach * float(rng.uniform(1.1, 1.4))
    else:
        vertices[index] = vertices[index] + direction * diagonal(mesh) * 0.02
    return Planted(9, (vertices, mesh[1]), through, f"{name}, point {index} pushed {'through' if through else 'outward'}")


@plants(10)
def overlap(rng: np.random.Generator, bases: Bases) -> Planted:
    """Two equal balls at a known distance: the lens they share is pi (4 R + d)(2 R - d)^2 / 12; apart, nothing."""
    radius = float(rng.uniform(8, 40))
    overlaps = rng.random() < 0.7
    distance = radius * float(rng.uniform(0.3, 1.8) if overlaps else rng.uniform(2.05, 3.0))
    direction = rng.normal(size=3)
    direction /= np.linalg.norm(direction)
    at = rng.uniform(-200, 200, 3)
    one, two = solids.ball(radius, tuple(at), level=4), solids.ball(radius, tuple(at + direction * distance), level=4)
    lens = np.pi * (4 * radius + distance) * (2 * radius - distance) ** 2 / 12
    return Planted(10, solids.joined(one, two), overlaps, f"balls of {radius:.1f} at {distance:.1f}",
                   measured=lens if overlaps else None, within=0.03 * lens + 0.05 * radius, count=1 if overlaps else None)  # fmt: skip


@plants(10)
def buried(rng: np.random.Generator, bases: Bases) -> Planted:
    """A solid buried whole inside another counts; a true cavity does not."""
    name, mesh = bases.pick(rng)
    outer = solids.ball(diagonal(mesh), tuple(mesh[0].mean(axis=0)), level=3)
    cavity = rng.random() < 0.4
    return Planted(10, solids.joined(outer, solids.flipped(mesh) if cavity else mesh), not cavity,
                   f"{name} {'as a cavity' if cavity else 'buried'} in a ball")  # fmt: skip


@plants(11)
def speck(rng: np.random.Generator, bases: Bases) -> Planted:
    """Specks floating beside the part; a second solid of like size is no speck."""
    name, mesh = bases.pick(rng)
    size = diagonal(mesh)
    many = int(rng.integers(1, 6))
    if rng.random() < 0.25:
        twin = (mesh[0] + [size * 1.5, 0, 0], mesh[1])
        return Planted(11, solids.joined(mesh, twin), False, f"{name} twice, side by side", ticket=MM)
    specks = []
    for _ in range(many):
        direction = rng.normal(size=3)
        direction /= np.linalg.norm(direction)
        centre = mesh[0].mean(axis=0) + direction * size * float(rng.uniform(0.7, 1.2))
        ball = solids.ball(size * float(rng.uniform(0.002, 0.03)), tuple(centre), level=1)
        specks.append((ball[0], ball[1][: int(rng.integers(1, 40))]) if rng.random() < 0.5 else ball)
    return Planted(11, solids.joined(mesh, *specks), True, f"{name} with {many} specks")
