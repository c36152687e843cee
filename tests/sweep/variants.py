"""Faults of the kinds that scans and wild files have, planted at random on the meshes of a folder."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from corpus import solids
from tests.sweep import Mesh
from tests.trial import any_turn, diagonal, patch

MOST_FACES = 5000
Planter = Callable[[np.random.Generator, Mesh], tuple[Mesh, str]]
PLANTERS: dict[str, Planter] = {}


@dataclass(frozen=True)
class Variant:
    """mesh: mm, the fault planted; truth: the faces of the base that are still there; planted: what was done, in words."""

    mesh: Mesh
    truth: Mesh
    planted: str


def plants(name: str) -> Callable[[Planter], Planter]:
    """Decorator: a planter by name. It must leave the points of the skin that it does not harm where they are."""

    def keep(function: Planter) -> Planter:
        PLANTERS[name] = function
        return function

    return keep


def thinned(mesh: Mesh, most: int = MOST_FACES) -> Mesh:
    """A mesh of about `most` faces by libigl's edge collapses, where its edges are sound enough for that; else as it is."""
    import igl
    import trimesh

    vertices, faces = solids.merge(*mesh)
    good = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    vertices, faces = np.ascontiguousarray(vertices), np.ascontiguousarray(faces[good])
    part = trimesh.Trimesh(vertices, faces, process=False)
    plain = bool(igl.is_edge_manifold(faces)[0]) and bool(np.all(igl.is_vertex_manifold(faces))) and part.is_winding_consistent
    if len(faces) <= most or not plain:  # on others the collapses run on for ever
        return vertices, faces
    fewer, kept, *_ = igl.decimate(np.asfortranarray(vertices), np.asfortranarray(faces.astype(np.int32)), most)
    return np.array(fewer), np.array(kept, dtype=np.int64)


def vary(mesh: Mesh, rng: np.random.Generator, kind: str) -> Variant:
    """A mesh (mm) with one planted fault, or "mixed": three of them. Turned at random in half of the cases."""
    if rng.random() < 0.5:
        mesh = (mesh[0] @ any_turn(rng).T, mesh[1])
    base, words = mesh, []
    some = [k for k in PLANTERS if k not in (*WHOLE, "block beside")]
    kinds = [str(k) for k in rng.choice(some, 3, replace=False)] if kind == "mixed" else [kind]
    for each in kinds:
        mesh, said = PLANTERS[each](rng, mesh)
        words.append(said)
    truth = mesh if kind in WHOLE else _survivors(base, mesh)
    return Variant(mesh, truth, f"{kind}: {'; '.join(words)}")


WHOLE = frozenset({"noise", "coarse", "unchanged"})  # no face stays as it was, and all of what comes is skin


def _survivors(base: Mesh, mesh: Mesh) -> Mesh:
    """The faces of the base whose three corners are still a face of the mesh, whichever way it is wound."""
    points, index = np.unique(np.vstack((base[0], mesh[0])), axis=0, return_inverse=True)
    index = index.reshape(-1)
    one, other = (np.sort(i[f], axis=1) for i, f in ((index[: len(base[0])], base[1]), (index[len(base[0]) :], mesh[1])))
    size = len(points)
    keys = [(f[:, 0] * size + f[:, 1]) * size + f[:, 2] for f in (one, other)]
    return base[0], base[1][np.isin(keys[0], keys[1])]


def _normals(mesh: Mesh) -> np.ndarray:
    """Area-weighted unit normals of the points, (n, 3)."""
    c = mesh[0][mesh[1]]
    cross = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
    total = np.zeros_like(mesh[0])
    for k in range(3):
        np.add.at(total, mesh[1][:, k], cross)
    unit: np.ndarray = total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-30)
    return unit


def _spot(rng: np.random.Generator, mesh: Mesh) -> tuple[np.ndarray, np.ndarray]:
    """A point of the skin and the direction out of it."""
    face = int(rng.integers(len(mesh[1])))
    a, b, c = mesh[0][mesh[1][face]]
    normal = np.cross(b - a, c - a)
    return (a + b + c) / 3, normal / max(float(np.linalg.norm(normal)), 1e-30)


@plants("unchanged")
def unchanged(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    return mesh, "as it is"


@plants("holes")
def holes(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    many = int(rng.integers(1, 7))
    for _ in range(many):
        gone = patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.005, 0.06)))
        if len(gone) < len(mesh[1]) // 4:
            mesh = mesh[0], np.delete(mesh[1], gone, axis=0)
    return mesh, f"{many} holes"


@plants("ragged")
def ragged(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """A region where two of five faces are missing, so that rims hang together by points and flaps stand alone."""
    near = patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.03, 0.1)))
    gone = near[rng.random(len(near)) < 0.4]
    return (mesh[0], np.delete(mesh[1], gone, axis=0)), f"{len(gone)} faces missing of {len(near)} in one region"


@plants("flips")
def flips(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    faces = mesh[1].copy()
    which = rng.random(len(faces)) < rng.uniform(0.01, 0.4)
    if rng.random() < 0.5:
        which = np.isin(np.arange(len(faces)), patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.05, 0.3))))
    faces[which] = faces[which][:, ::-1]
    return (mesh[0], faces), f"{int(which.sum())} faces turned over"


@plants("spikes")
def spikes(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Single points pulled through the part or out of it."""
    many = int(rng.integers(1, 6))
    vertices = mesh[0].copy()
    used = np.unique(mesh[1])
    for k in rng.choice(used, many, replace=False):
        way = rng.normal(size=3)
        vertices[k] += way / np.linalg.norm(way) * diagonal(mesh) * rng.uniform(0.02, 0.3)
    return (vertices, mesh[1]), f"{many} points pulled away"


@plants("pushed in")
def pushed_in(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """A patch moved as one, so that its border is drawn across other skin."""
    faces = patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.03, 0.08)))
    way = rng.normal(size=3)
    vertices = mesh[0].copy()
    vertices[np.unique(mesh[1][faces])] += way / np.linalg.norm(way) * diagonal(mesh) * rng.uniform(0.03, 0.15)
    return (vertices, mesh[1]), f"{len(faces)} faces moved as one"


@plants("shells")
def shells(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Dozens of closed balls and blocks, on the skin, in it and in each other."""
    many = int(rng.integers(12, 45))
    size = diagonal(mesh)
    more = []
    for _ in range(many):
        at, out = _spot(rng, mesh)
        at = at - out * size * float(rng.uniform(-0.01, 0.06))
        if rng.random() < 0.5:
            more.append(solids.ball(size * float(rng.uniform(0.01, 0.04)), at, level=2))
        else:
            block = solids.box(size * rng.uniform(0.01, 0.06, 3))
            more.append(((block[0] - block[0].mean(axis=0)) @ any_turn(rng).T + at, block[1]))
    return solids.joined(mesh, *more), f"{many} balls and blocks on and in the skin"


@plants("specks")
def specks(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    many = int(rng.integers(3, 40))
    size = diagonal(mesh)
    more = []
    for _ in range(many):
        at, out = _spot(rng, mesh)
        ball = solids.ball(size * float(rng.uniform(0.001, 0.006)), at + out * size * float(rng.uniform(0.01, 0.2)), level=1)
        more.append(ball if rng.random() < 0.5 else (ball[0], ball[1][: int(rng.integers(1, 40))]))
    return solids.joined(mesh, *more), f"{many} specks"


@plants("fins")
def fins(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    many = int(rng.integers(1, 20))
    vertices, faces = mesh
    for face in rng.choice(len(mesh[1]), many, replace=False):
        a, b, c = mesh[0][mesh[1][face]]
        normal = np.cross(b - a, c - a)
        tip = (a + b) / 2 + normal / max(np.linalg.norm(normal), 1e-30) * diagonal(mesh) * rng.uniform(-0.05, 0.05)
        faces = np.vstack((faces, [[mesh[1][face][0], mesh[1][face][1], len(vertices)]]))
        vertices = np.vstack((vertices, tip))
    return (vertices, faces), f"{many} single faces standing on edges"


@plants("pinches")
def pinches(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Small balls that hang on the skin by a point, and pairs of near points drawn into one."""
    many = int(rng.integers(1, 5))
    size = diagonal(mesh)
    used = np.unique(mesh[1])
    out = _normals(mesh)
    for k in rng.choice(used, many, replace=False):
        ball = solids.ball(size * float(rng.uniform(0.005, 0.018)), level=2)
        tip = int(np.argmax(ball[0] @ -out[k]))
        placed = ball[0] - ball[0][tip] + mesh[0][k]
        placed[tip] = mesh[0][k]
        mesh = solids.joined(mesh, (placed, ball[1]))
    return mesh, f"{many} balls hanging by a point"


@plants("plates")
def plates(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Closed plates a few tenths of a mm thick, stuck into the skin."""
    many = int(rng.integers(1, 4))
    more = []
    for _ in range(many):
        at, _ = _spot(rng, mesh)
        side = diagonal(mesh) * float(rng.uniform(0.03, 0.12))
        plate = solids.box((side, side, float(rng.uniform(0.1, 0.6))))
        more.append(((plate[0] - plate[0].mean(axis=0)) @ any_turn(rng).T + at, plate[1]))
    return solids.joined(mesh, *more), f"{many} thin plates"


@plants("table")
def table(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """An open flat sheet under the part, touching nothing or running through its lowest twentieth."""
    size = np.ptp(mesh[0], axis=0)
    low = mesh[0].min(axis=0)
    grid = solids.box((*(2 * size[:2]), 1.0), step=float(size.max()) / 15)
    top = grid[1][(grid[0][grid[1]][:, :, 2] > 0.5).all(axis=1)]
    at = low - [*(size[:2] / 2), 1.0] + [0, 0, size[2] * float(rng.choice([-0.05, 0.03]))]
    return solids.joined(mesh, (grid[0] + at, top)), "a table"


@plants("noise")
def noise(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Each point moved along its normal, up to a fifth of the shortest side there, so that no faces fold."""
    c = mesh[0][mesh[1]]
    side = np.linalg.norm(c - np.roll(c, 1, axis=1), axis=2).min(axis=1)
    least = np.full(len(mesh[0]), np.inf)
    for k in range(3):
        np.minimum.at(least, mesh[1][:, k], side)
    amount = float(rng.uniform(0.03, 0.3))
    step = np.clip(rng.normal(size=len(least)) * amount, -0.2 * least, 0.2 * least)
    return (mesh[0] + _normals(mesh) * step[:, None], mesh[1]), f"noise of {amount:.2f} mm"


@plants("coarse")
def coarse(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Points drawn together in cells of a grid, which pinches thin places and lays faces on each other."""
    cell = diagonal(mesh) * float(rng.uniform(0.01, 0.03))
    key = np.floor(mesh[0] / cell).astype(np.int64)
    _, index, count = np.unique(key, axis=0, return_inverse=True, return_counts=True)
    index = index.reshape(-1)
    points = np.zeros((len(count), 3))
    np.add.at(points, index, mesh[0])
    faces = index[mesh[1]]
    good = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    return (points / count[:, None], faces[good]), f"points drawn together in cells of {cell:.2f} mm"


@plants("doubled faces")
def doubled_faces(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    many = int(rng.integers(1, len(mesh[1]) // 3))
    more = mesh[1][rng.choice(len(mesh[1]), many, replace=False)]
    turned = rng.random(many) < 0.3
    more = np.where(turned[:, None], more[:, ::-1], more)
    return (mesh[0], np.vstack((mesh[1], more))), f"{many} faces put in twice"


@plants("double layer")
def double_layer(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """A region scanned twice: a copy of a patch a few tenths of a mm under or over the skin."""
    faces = patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.05, 0.15)))
    off = float(rng.uniform(-0.8, 0.8))
    copy = mesh[0] + _normals(mesh) * off
    return solids.joined(mesh, (copy, mesh[1][faces])), f"{len(faces)} faces again {off:.2f} mm off"


@plants("cropped")
def cropped(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Everything beyond a random plane cut away along the faces: a ragged open rim."""
    way = rng.normal(size=3)
    height = mesh[0][mesh[1]].mean(axis=1) @ way
    return (mesh[0], mesh[1][height <= np.quantile(height, rng.uniform(0.4, 0.9))]), "cropped at a plane"


@plants("membranes")
def membranes(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Fans across the part from an inner point to a loop of edges, and blocks that share an edge: crowded edges."""
    face = patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.03, 0.1)))
    border = mesh[1][face]
    ends = np.vstack((border[:, [0, 1]], border[:, [1, 2]], border[:, [2, 0]]))
    key = np.sort(ends, axis=1)
    _, index, count = np.unique(key[:, 0] * len(mesh[0]) + key[:, 1], return_index=True, return_counts=True)
    loop = ends[index[count == 1]]
    if not len(loop):
        return mesh, "nothing"
    middle = mesh[0][np.unique(loop)].mean(axis=0)
    fan = np.column_stack((loop, np.full(len(loop), len(mesh[0]))))
    return (np.vstack((mesh[0], middle)), np.vstack((mesh[1], fan))), f"a wall of {len(fan)} faces across a loop"


@plants("cracks")
def cracks(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """A patch cut loose and shifted a hair."""
    faces = patch(mesh, rng, diagonal(mesh) * float(rng.uniform(0.03, 0.15)))
    used = np.unique(mesh[1][faces])
    new = np.full(len(mesh[0]), -1)
    new[used] = len(mesh[0]) + np.arange(len(used))
    changed = mesh[1].copy()
    changed[faces] = new[changed[faces]]
    way = rng.normal(size=3)
    off = float(rng.uniform(0.0005, 0.05))
    return (np.vstack((mesh[0], mesh[0][used] + way / np.linalg.norm(way) * off)), changed), f"{len(faces)} faces loose by {off:.4f} mm"


@plants("t-junctions")
def t_junctions(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """Edges cut in two on one side only, the new point a hair off the edge."""
    many = int(rng.integers(3, 60))
    pick = rng.choice(len(mesh[1]), min(many, len(mesh[1]) // 4), replace=False)
    a, b, c = mesh[1][pick].T
    middle = len(mesh[0]) + np.arange(len(pick))
    points = (mesh[0][a] + mesh[0][b]) / 2 + rng.normal(size=(len(pick), 3)) * rng.uniform(0, 0.02)
    kept = np.delete(mesh[1], pick, axis=0)
    faces = np.vstack((kept, np.column_stack((a, middle, c)), np.column_stack((middle, b, c))))
    return (np.vstack((mesh[0], points)), faces), f"{len(pick)} edges cut on one side"


@plants("inner skin")
def inner_skin(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """A smaller copy of the part within it, wound either way, or with a hole."""
    middle = mesh[0].mean(axis=0)
    faces = mesh[1][:, ::-1] if rng.random() < 0.5 else mesh[1]
    if rng.random() < 0.3:
        faces = faces[: int(0.9 * len(faces))]
    return solids.joined(mesh, ((mesh[0] - middle) * float(rng.uniform(0.3, 0.8)) + middle, faces)), "a smaller copy inside"


@plants("block beside")
def block_beside(rng: np.random.Generator, mesh: Mesh) -> tuple[Mesh, str]:
    """The gauge block left in the scan, standing on its own."""
    high = mesh[0].max(axis=0)
    block = solids.box((40.0, 10.0, 9.0), (high[0] + 15.0, mesh[0][:, 1].mean(), mesh[0][:, 2].min()), step=5.0)
    return solids.joined(mesh, block), "a gauge block beside it"
