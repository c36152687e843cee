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
    return Planted(4, _without(mesh, face), True, f"{name} without face {face[0]}", measured=length, within=1e-6 * length + 1e-4, count=1)


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


@plants(2)
def shattered(rng: np.random.Generator, bases: Bases) -> Planted:
    """Some faces written with corners of their own, each off by a hair, as an export that rounds carelessly does; or exactly right."""
    name, mesh = bases.pick(rng)
    many = int(rng.integers(1, min(40, len(mesh[1]) // 4)))
    pick = rng.choice(len(mesh[1]), size=many, replace=False)
    off = _crack_limit(mesh) * float(rng.uniform(0.05, 0.4))
    if rng.random() < 0.25 or _shortest(mesh) < 6 * off:
        off = 0.0
    corners = mesh[0][mesh[1][pick]].reshape(-1, 3)
    hair = rng.normal(size=corners.shape)
    corners = corners + off * hair / np.linalg.norm(hair, axis=1, keepdims=True)
    faces = mesh[1].copy()
    faces[pick] = len(mesh[0]) + np.arange(3 * many).reshape(-1, 3)
    return Planted(2, (np.vstack((mesh[0], corners)), faces), off > 0, f"{name}, {many} faces loose by {off:.5f}")


def _crack_limit(mesh: solids.Mesh) -> float:
    """The limit in mm as the rule states it: a length, or a share of the diagonal."""
    rule = all_rules()[2]
    values = {k: float(v.default) for k, v in rule.limits.items() if not callable(v.default)}
    share = [v * diagonal(mesh) for k, v in values.items() if rule.limits[k].unit != "mm"]
    return min([v for k, v in values.items() if rule.limits[k].unit == "mm"] + share)


def _shortest(mesh: solids.Mesh) -> float:
    c = mesh[0][mesh[1]]
    return float(np.linalg.norm(c - np.roll(c, 1, axis=1), axis=2).min())


def _without_needles(rng: np.random.Generator, bases: Bases) -> tuple[str, solids.Mesh]:
    """A base whose every face is clearly higher than a needle (one real scan has some of its own)."""
    while True:
        name, mesh = bases.pick(rng)
        longest = np.linalg.norm(mesh[0][mesh[1]] - np.roll(mesh[0][mesh[1]], 1, axis=1), axis=2).max(axis=1)
        if (2 * _areas(mesh) / np.maximum(longest, 1e-12)).min() > 5e-6 * diagonal(mesh):
            return name, mesh


@plants(3)
def worthless_faces(rng: np.random.Generator, bases: Bases) -> Planted:
    """Faces without area, said twice, or folded back on themselves."""
    name, mesh = _without_needles(rng, bases)
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


@plants(3)
def needles(rng: np.random.Generator, bases: Bases) -> Planted:
    """An edge cut in its middle on one side only, with a face of no height to make up for it; or of some height, which is sound."""
    name, mesh = _without_needles(rng, bases)
    sound = bool(rng.random() < 0.3)
    many = int(rng.integers(1, 9))
    pick: list[int] = []
    used: set[int] = set()
    for f in rng.permutation(len(mesh[1])):
        if not used & set(mesh[1][f].tolist()):
            pick.append(int(f))
            used |= set(mesh[1][f].tolist())
        if len(pick) == many:
            break
    a, b, c = mesh[1][pick].T
    middle = len(mesh[0]) + np.arange(len(pick))
    limit = max(2e-6 * diagonal(mesh), min(2e-4, 2e-5 * diagonal(mesh)))
    lift = 10 * limit if sound else 0.0
    towards = mesh[0][c] - (mesh[0][a] + mesh[0][b]) / 2
    points = (mesh[0][a] + mesh[0][b]) / 2 + lift * towards / np.linalg.norm(towards, axis=1, keepdims=True)
    kept = np.delete(mesh[1], pick, axis=0)
    new = np.vstack((np.column_stack((a, middle, c)), np.column_stack((middle, b, c)), np.column_stack((a, b, middle))))
    if sound and _lowest(points, mesh[0][a], mesh[0][b]) < 3 * limit:
        return Planted(3, mesh, False, f"{name}, whole")
    return Planted(3, (np.vstack((mesh[0], points)), np.vstack((kept, new))), not sound, f"{name} with {len(pick)} needles {lift:.2g} high",
                   measured=None if sound else len(pick), within=0.0)  # fmt: skip


def _lowest(points: np.ndarray, a: np.ndarray, b: np.ndarray) -> float:
    """The least height of triangles (a, b, point) over their side from a to b."""
    area = np.linalg.norm(np.cross(b - a, points - a), axis=1)
    return float((area / np.linalg.norm(b - a, axis=1)).min())


@plants(5)
def membrane(rng: np.random.Generator, bases: Bases) -> Planted:
    """A box with a wall of no thickness across it: three faces meet all round that wall. Or two boxes that share one edge."""
    size = rng.uniform(5, 40, 3)
    half = solids.box(size, step=float(size.min()) / 3)
    if rng.random() < 0.5:
        low = half[0][:, 0] < 1e-9
        wall = half[1][low[half[1]].all(axis=1)]
        there = half[0] * [-1, 1, 1], half[1][:, ::-1]
        there = there[0], there[1][~(there[0][:, 0] > -1e-9)[there[1]].all(axis=1)]
        mesh = solids.merge(*solids.joined((half[0], half[1]), there))
        assert len(wall)
        return Planted(5, mesh, True, f"box of {np.round(size, 1)} with a wall across it", measured=float(2 * (size[1] + size[2])),
                       within=1e-3, count=1)  # fmt: skip
    apart = 0.0 if rng.random() < 0.6 else float(rng.uniform(0.01, 1))
    other = half[0] * [-1, -1, 1] - [apart, apart, 0], half[1]
    mesh = solids.merge(*solids.joined(half, other))
    return Planted(5, mesh, apart == 0, f"two boxes {apart:.3f} apart at an edge", measured=float(size[2]) if apart == 0 else None,
                   within=1e-3, count=1 if apart == 0 else None)  # fmt: skip


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


@plants(6)
def drawn_together(rng: np.random.Generator, bases: Bases) -> Planted:
    """Two points of the skin, far apart, drawn into one: the skin hangs together there by a point."""
    name, mesh = bases.pick(rng)
    if rng.random() < 0.2:
        return Planted(6, mesh, False, f"{name}, whole")
    a = int(rng.integers(len(mesh[0])))
    away = np.linalg.norm(mesh[0] - mesh[0][a], axis=1)
    b = int(rng.choice(np.flatnonzero(away > 0.4 * away.max())))
    ring = [set(mesh[1][(mesh[1] == k).any(axis=1)].ravel().tolist()) for k in (a, b)]
    if ring[0] & ring[1]:
        return Planted(6, mesh, False, f"{name}, whole")
    vertices = mesh[0].copy()
    # Somewhere odd, so that no other two points of a regular mesh come to lie on each other when it is cut finer.
    vertices[[a, b]] = (vertices[a] + vertices[b]) / 2 + rng.normal(scale=0.01 * diagonal(mesh), size=3)
    return Planted(6, (vertices, mesh[1]), True, f"{name}, points {a} and {b} drawn together", measured=1.0, count=1)


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
    area = _areas(mesh)
    small = area[faces].sum() < 0.4 * area.sum()
    return Planted(7, (mesh[0], changed), True, f"{name} with {len(faces)} faces turned over",
                   measured=float(area[faces].sum()) if small else None, within=1e-4 * float(area[faces].sum()) + 1e-3,
                   count=1 if small else None)  # fmt: skip


@plants(7)
def twisted_band(rng: np.random.Generator, bases: Bases) -> Planted:
    """A band twisted by half a turn has one side only; by a whole turn it has two."""
    half = bool(rng.random() < 0.6)
    count, rows = 120, 4
    along = 2 * np.pi * np.arange(count) / count
    across = np.linspace(-6, 6, rows + 1)
    lean = along * (0.5 if half else 1.0)
    radius = 30 + across[None] * np.cos(lean)[:, None]
    points = np.stack((radius * np.cos(along)[:, None], radius * np.sin(along)[:, None], across[None] * np.sin(lean)[:, None]), axis=2)
    faces: list[list[int]] = []
    for k in range(count):
        here = k * (rows + 1) + np.arange(rows + 1)
        there = (k + 1) % count * (rows + 1) + (np.arange(rows, -1, -1) if half and k == count - 1 else np.arange(rows + 1))
        for j in range(rows):
            faces += [[here[j], there[j], there[j + 1]], [here[j], there[j + 1], here[j + 1]]]
    return Planted(7, (points.reshape(-1, 3), np.array(faces)), half, f"band with {'half a' if half else 'a whole'} twist")


def _areas(mesh: solids.Mesh) -> np.ndarray:
    c = mesh[0][mesh[1]]
    return np.linalg.norm(np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]), axis=1) / 2


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


@plants(9)
def coil(rng: np.random.Generator, bases: Bases) -> Planted:
    """A round bar wound into a coil: its turns run through each other when the pitch is less than the bar is thick."""
    thick, radius = float(rng.uniform(2, 6)), float(rng.uniform(10, 25))
    through = bool(rng.random() < 0.6)
    pitch = thick * float(rng.uniform(0.3, 0.93) if through else rng.uniform(1.07, 2))
    steps, sides = int(rng.integers(120, 220)), int(rng.integers(10, 24))
    along = np.linspace(0, 2 * np.pi * 2.3, steps)
    middle = np.stack((radius * np.cos(along), radius * np.sin(along), pitch * along / (2 * np.pi)), axis=1)
    outward = np.stack((np.cos(along), np.sin(along), 0 * along), axis=1)
    forward = np.gradient(middle, axis=0)
    forward /= np.linalg.norm(forward, axis=1, keepdims=True)
    third = np.cross(forward, outward)
    angle = 2 * np.pi * np.arange(sides) / sides
    ring = np.cos(angle)[None, :, None] * outward[:, None] + np.sin(angle)[None, :, None] * third[:, None]
    points = np.vstack(((middle[:, None] + ring * thick / 2).reshape(-1, 3), middle[[0, -1]]))
    here, there = np.arange(sides), (np.arange(sides) + 1) % sides
    rows = [np.stack((k * sides + here, k * sides + sides + here, k * sides + sides + there), 1) for k in range(steps - 1)]
    rows += [np.stack((k * sides + here, k * sides + sides + there, k * sides + there), 1) for k in range(steps - 1)]
    last = (steps - 1) * sides
    rows += [np.stack((here, there, here * 0 + steps * sides), 1), np.stack((last + there, last + here, here * 0 + steps * sides + 1), 1)]
    return Planted(9, (points, np.vstack(rows)), through, f"coil {thick:.1f} mm thick at a pitch of {pitch:.2f}")


@plants(10)
def boxes(rng: np.random.Generator, bases: Bases) -> Planted:
    """Two boxes that share a block of known volume, touch over a known area, or stand apart."""
    size, other = rng.uniform(10, 40, 3), rng.uniform(10, 40, 3)
    kind = int(rng.integers(0, 3))
    share = rng.uniform(1, 5, 3)
    low = size - share
    if kind == 1:
        low[0] = size[0]
    elif kind == 2:
        low[0] = size[0] + float(rng.uniform(0.01, 5))
    mesh = solids.joined(solids.box(size, step=7), solids.box(other, low, step=6))
    true = (float(share.prod()), float(share[1:].prod()), None)[kind]
    return Planted(10, mesh, kind < 2, f"boxes that {('overlap', 'touch', 'stand apart')[kind]}", measured=true,
                   within=0.01 * (true or 0) + 2e-3, count=1 if kind < 2 else None)  # fmt: skip


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
        whole = rng.random() < 0.5  # a closed piece of a twentieth of the part's length may be meant
        length = float(np.ptp(mesh[0], axis=0).max())
        ball = solids.ball(length * float(rng.uniform(0.002, 0.022 if whole else 0.08)), tuple(centre), level=1)
        specks.append(ball if whole else (ball[0], ball[1][: int(rng.integers(1, 40))]))
    return Planted(11, solids.joined(mesh, *specks), True, f"{name} with {many} specks")


@plants(11)
def table(rng: np.random.Generator, bases: Bases) -> Planted:
    """A flat open sheet under the part, standing off it; or a hair; or a second piece that is large enough to be meant."""
    name, mesh = bases.pick(rng, 12_000)
    size = diagonal(mesh)
    middle = mesh[0].mean(axis=0)
    kind = int(rng.integers(0, 3))
    if kind == 0:
        grid = solids.box((size * float(rng.uniform(0.8, 2)), size, 1.0), step=size / 12)
        sheet = grid[1][(grid[0][grid[1]][:, :, 2] > 0.5).all(axis=1)]
        where = middle - [size, size / 2, 0]
        where[2] = mesh[0][:, 2].min() - 1 - size * float(rng.uniform(0.03, 0.2))
        return Planted(11, solids.joined(mesh, (grid[0] * [1, 1, 1] + where, sheet)), True, f"{name} over a table")
    if kind == 1:
        steps = np.linspace(0, 1, 40)[:, None]
        far = middle + np.array([size * 0.8, 0, 0])
        curve = far + steps * [0, 0, size * 0.3] + np.sin(5 * steps) * [0.02 * size, 0.03 * size, 0]
        strip = np.vstack((curve, curve + np.array([0, 0.0004 * size, 0])))
        k = np.arange(39)
        faces = np.vstack((np.stack((k, k + 1, k + 40), 1), np.stack((k + 1, k + 41, k + 40), 1)))
        return Planted(11, solids.joined(mesh, (strip, faces)), True, f"{name} beside a hair")
    ball = solids.ball(size * float(rng.uniform(0.05, 0.3)), tuple(middle + np.array([size * 1.2, 0, 0])), level=3)
    return Planted(11, solids.joined(mesh, ball), False, f"{name} beside a ball a tenth of its size or larger")
