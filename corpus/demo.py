"""A part to try things on: the scan of a troll's nose, as a phone gives it. `python -m corpus.demo FOLDER` writes it.

The travelling theatre's troll lost his nose to a tin king; the workshop scans the old carved head, with a 40 mm gauge block beside it
on the bench. The scan is raw: an open ragged sheet in metres (which the file does not say), three in a hundred too small,
noisy, with holes, loose hair, and the block on its piece of table. Everything is made here, from seeded numbers.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from corpus.solids import Mesh, joined

Array = NDArray[np.float64]

NAME = "troll-nose-scan"
PITCH = 1.55  # mm between the points of the scan
SHRUNK = 0.97  # an uncalibrated scan: 3 % small
METRES = 1e-3
BLOCK = 40.0

TICKET = """# The troll's new nose, from the old carved head.

[part]
body = "other"                # a troll's: no table of people knows it
code = "TROLL-1"

# The gauge block beside the nose, found and fitted by `buckwright size {name}.ply --bar 40`.
{length}
[print]
process = "extrusion"
nozzle = 0.4
layer = 0.2
bed = [220.0, 220.0, 250.0]

[use]
mould = "flexible"
pull = [0.0, 0.0, 1.0]
wall = 3.0
margin = 15.0
clay = 8.0

[fix]
allow = "skin"
steps = ["seat", "hollow", "drain"]

# Everything outside this box goes: the gauge block and its piece of table.
[[fix.crop]]
low = [{low}]
high = [{high}]
"""


def write(folder: Path) -> Path:
    """Write the scan and its ticket into a folder, and return the path of the scan. The same bytes every time."""
    from lint.size import mark
    from lint.terms import Part, Source

    vertices, faces = scan()
    data = ply(vertices, faces)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / f"{NAME}.ply"
    path.write_bytes(data)
    source = Source(path, "ply", hashlib.sha256(data).hexdigest(), len(data))
    length, _ = mark(Part(vertices.astype(np.float32).astype(np.float64), faces, source), bar=BLOCK)
    entry = f'[[length]]\nfrom = [{_row(length.from_)}]\nto = [{_row(length.to)}]\ntrue = {length.true}\nname = "{length.name}"\n'
    low, high = (np.array(corner) * SHRUNK * METRES for corner in ((-95.0, -110.0, -60.0), (84.0, 110.0, 110.0)))
    text = TICKET.format(name=NAME, length=entry, low=_row(low), high=_row(high))
    (folder / f"{NAME}.ticket.toml").write_text(text, encoding="utf-8")
    return path


def scan() -> Mesh:
    """The whole scan in its own wrong numbers: metres, 3 % small. Faces counter-clockwise seen from outside."""
    rng = np.random.default_rng(1312)
    unseen = ((-13, 22), (33, -12), (-60, 4), (24, 56), (8, -66))  # where the phone never looked, mm
    pieces = [_torn(_nose(rng), rng, unseen), _torn(_bench(rng), rng, ((118, -20),)), *_hair(rng)]
    vertices, faces = joined(*pieces)
    turn = np.radians(7.0)  # nobody holds a phone straight
    about = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    return (vertices @ about.T) * SHRUNK * METRES, faces


def ply(vertices: Array, faces: NDArray[np.int64]) -> bytes:
    """A binary little-endian PLY of 32-bit points, as scan programs write it: no unit anywhere."""
    header = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\nproperty float x\nproperty float y\nproperty float z\n"
        f"element face {len(faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("n", "u1"), ("v", "<i4", 3)])
    rows["n"], rows["v"] = 3, faces
    return header.encode("ascii") + vertices.astype("<f4").tobytes() + rows.tobytes()


def _row(numbers: Array | tuple[float, ...]) -> str:
    return ", ".join(f"{float(x):.7g}" for x in numbers)


def _grid(low: tuple[float, float, float], high: tuple[float, float, float]) -> tuple[Array, Array, Array]:
    x, y, z = (np.arange(a, b, PITCH) for a, b in zip(low, high, strict=True))
    return x[:, None, None], y[None, :, None], z[None, None, :]


def _egg(x: Array, y: Array, z: Array, centre: tuple[float, float, float], radii: tuple[float, float, float]) -> Array:
    """About the distance to an ellipsoid: exact at its skin and near it in the first order."""
    u, v, w = ((a - c) for a, c in zip((x, y, z), centre, strict=True))
    size = np.sqrt((u / radii[0]) ** 2 + (v / radii[1]) ** 2 + (w / radii[2]) ** 2)
    slope = np.sqrt((u / radii[0] ** 2) ** 2 + (v / radii[1] ** 2) ** 2 + (w / radii[2] ** 2) ** 2)
    return np.asarray(size * (size - 1) / np.maximum(slope, 1e-9))


def _sausage(x: Array, y: Array, z: Array, one: tuple[float, ...], other: tuple[float, ...], thick: tuple[float, float]) -> Array:
    """The distance to a segment less a radius that runs from one thickness to the other."""
    a, b = np.array(one), np.array(other)
    along = b - a
    share = np.clip(((x - a[0]) * along[0] + (y - a[1]) * along[1] + (z - a[2]) * along[2]) / (along @ along), 0, 1)
    away = np.sqrt((x - a[0] - share * along[0]) ** 2 + (y - a[1] - share * along[1]) ** 2 + (z - a[2] - share * along[2]) ** 2)
    return np.asarray(away - thick[0] - share * (thick[1] - thick[0]))


def _melt(one: Array, other: Array, width: float) -> Array:
    """Two shapes run together with a fillet of about `width` mm, as clay does."""
    share = np.clip(0.5 + 0.5 * (other - one) / width, 0, 1)
    return np.asarray(other + (one - other) * share - width * share * (1 - share))


def _carve(one: Array, other: Array, width: float) -> Array:
    return -_melt(-one, other, width)


def _nose(rng: np.random.Generator) -> Mesh:
    """The nose with its cheeks: a broken bridge, a drooping bulb, wide wings, deep nostrils, brows, folds and warts."""
    x, y, z = _grid((-92, -96, -34), (92, 96, 92))
    bent = x - 7.0 * np.exp(-(((y - 34) / 15) ** 2))
    skin = _egg(x, y, z, (0, 0, -150), (190, 215, 178))
    for side in (-1, 1):
        skin = _melt(skin, _egg(x, y, z, (side * 44, -6, 19), (22, 32, 16)), 24)  # cheek bones
        skin = _melt(skin, _egg(x, y, z, (side * 27, 50, 28), (19, 8, 10)), 14)  # brows
        skin = _carve(skin, _egg(x, y, z, (side * 34, 34, 34), (14, 9, 11)), 10)  # the inner corners of the eyes
    skin = _melt(skin, _sausage(bent, y, z, (0, 66, 24), (0, 34, 47), (12, 14)), 14)
    skin = _melt(skin, _sausage(bent, y, z, (0, 34, 47), (0, -8, 56), (14, 20)), 6)
    skin = _melt(skin, _egg(x, y, z, (0, -24, 54), (29, 26, 25)), 8)
    skin = _melt(skin, _egg(x, y, z, (3, -40, 45), (18, 14, 18)), 8)
    for side in (-1, 1):
        skin = _melt(skin, _egg(x, y, z, (side * 29, -25, 34), (17, 21, 19)), 9)
        skin = _carve(skin, _sausage(x, y, z, (side * 48, -4, 36), (side * 46, -34, 33), (1.5, 3.0)), 7)  # behind the wings
        skin = _carve(skin, _sausage(x, y, z, (side * 48, -34, 32), (side * 52, -58, 23), (3.0, 2.0)), 9)  # folds to the mouth
        skin = _melt(skin, _sausage(x, y, z, (side * 6, -52, 22), (side * 8, -74, 15), (3.5, 4.0)), 9)  # the lip
    for side in (-1, 1):
        skin = _carve(skin, _egg(x, y, z, (side * 19, -50, 33), (9, 14, 11)), 5)
    for k in range(3):  # frown lines across the root
        skin = _carve(skin, _sausage(x, y, z, (-11, 52 + 6 * k, 46 - 5.5 * k), (16, 50 + 6 * k, 46 - 5.5 * k), (0.6, 0.4)), 3)
    warts = (
        (16, -12, 74, 5.5), (-22, -30, 66, 4.0), (-33, -14, 47, 3.5), (9, 44, 61, 4.5), (-58, -30, 37, 5.0),
        (52, 18, 38, 3.2), (50, -44, 27, 4.0),
    )
    for wart_x, wart_y, height, radius in warts:
        skin = _melt(skin, _lump(skin, x, y, z, (wart_x, wart_y, height), radius), 2.2)
    skin = skin + _leather(x, y, z, rng)
    mesh = _skin(skin, (-92, -96, -34))
    return _ragged(mesh, lambda angle: 83 + 3 * np.sin(2 * angle), (0, -4), rng)


def _lump(skin: Array, x: Array, y: Array, z: Array, spot: tuple[float, float, float], radius: float) -> Array:
    """A wart: a small egg sitting on the skin straight below or above a spot."""
    i, j = (int(np.argmin(np.abs(axis.ravel() - at))) for axis, at in ((x, spot[0]), (y, spot[1])))
    inside = np.flatnonzero(skin[i, j] < 0)
    height = float(z.ravel()[inside[-1]]) if len(inside) else spot[2]
    return _egg(x, y, z, (spot[0], spot[1], height + 0.2 * radius), (radius, 1.1 * radius, 0.9 * radius))


def _leather(x: Array, y: Array, z: Array, rng: np.random.Generator) -> Array:
    """Troll skin: creases and bumps as a sum of waves in many directions, 0.2 to 0.5 mm deep."""
    relief = np.zeros(np.broadcast_shapes(x.shape, y.shape, z.shape))
    for length, depth in ((26.0, 0.45), (15.0, 0.35), (9.0, 0.28), (6.0, 0.2)):
        for _ in range(3):
            way = rng.normal(size=3)
            way *= 2 * np.pi / length / np.linalg.norm(way)
            relief += depth * np.sin(way[0] * x + way[1] * y + way[2] * z + rng.uniform(0, 2 * np.pi)) / 3**0.5
    return relief


def _bench(rng: np.random.Generator) -> Mesh:
    """A patch of table with the gauge block standing on it, turned a little; its edges rounded as scans round them."""
    low = (86.0, -46.0, -34.0)
    x, y, z = _grid(low, (164, 46, 16))
    turn = np.radians(17.0)
    u, v = (x - 126) * np.cos(turn) + (y - 2) * np.sin(turn), -(x - 126) * np.sin(turn) + (y - 2) * np.cos(turn)
    table = z + 30.0 + 0.0 * x + 0.0 * y
    round_by, half = 0.8, BLOCK / 2
    over = np.stack(np.broadcast_arrays(np.abs(u) - half + round_by, np.abs(v) - half + round_by, np.abs(z + 30 - half) - half + round_by))
    block = np.linalg.norm(np.maximum(over, 0), axis=0) + np.minimum(over.max(axis=0), 0) - round_by
    return _ragged(_skin(_melt(block, table, 1.5), low), lambda angle: 35 + 0 * angle, (126, 1), rng)


def _skin(distance: Array, low: tuple[float, float, float]) -> Mesh:
    """The surface where the distance is nought, seen from outside, without the walls of the grid."""
    from skimage.measure import marching_cubes

    vertices, faces, *_ = marching_cubes(distance, 0.0, spacing=(PITCH,) * 3)
    vertices = vertices.astype(np.float64) + np.array(low)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    up = np.cross(b - a, c - a)[:, 2].sum()
    return vertices, (faces if up > 0 else faces[:, ::-1]).astype(np.int64)


def _ragged(mesh: Mesh, outline, middle: tuple[float, float], rng: np.random.Generator) -> Mesh:  # type: ignore[no-untyped-def]
    """What lies inside an outline that frays: waves of all lengths and torn corners."""
    vertices, faces = mesh
    centre = vertices[faces].mean(axis=1)
    angle = np.arctan2(centre[:, 1] - middle[1], centre[:, 0] - middle[0])
    room = outline(angle)
    for waves in (3, 5, 8, 13, 21, 34, 55):
        room = room + rng.uniform(1.0, 3.5) * waves**-0.35 * np.sin(waves * angle + rng.uniform(0, 2 * np.pi))
    faces = faces[np.hypot(centre[:, 0] - middle[0], centre[:, 1] - middle[1]) < room]
    for _ in range(3):  # faces that hang by one side are shaken off, all but the last
        faces = faces[_open_sides(faces) < 2]
    return _evened(*_largest(vertices, faces))


def _open_sides(faces: NDArray[np.int64]) -> NDArray[np.int64]:
    """How many sides of each face have no neighbour, (m,)."""
    ends = np.sort(np.stack((faces, np.roll(faces, -1, axis=1)), axis=2).reshape(-1, 2), axis=1)
    _, edge, count = np.unique(ends[:, 0] * (faces.max() + 1) + ends[:, 1], return_inverse=True, return_counts=True)
    open_sides: NDArray[np.int64] = (count[edge.reshape(-1)] == 1).reshape(-1, 3).sum(axis=1)
    return open_sides


def _evened(vertices: Array, faces: NDArray[np.int64]) -> Mesh:
    """Points drawn towards the middle of their neighbours within the skin, so that faces are even as in a scan; the rim stays."""
    one = np.concatenate((faces, faces[:, ::-1])).reshape(-1)
    two = np.concatenate((np.roll(faces, -1, axis=1), np.roll(faces[:, ::-1], -1, axis=1))).reshape(-1)
    count = np.bincount(one, minlength=len(vertices))
    free = np.ones(len(vertices), dtype=bool)
    free[faces[_open_sides(faces) > 0]] = False
    for _ in range(6):
        normal = _normals(vertices, faces)
        towards = np.stack([np.bincount(one, weights=vertices[two, k], minlength=len(vertices)) for k in range(3)], axis=1)
        step = towards / count[:, None] - vertices
        step -= np.einsum("ij,ij->i", step, normal)[:, None] * normal
        vertices = vertices + 0.6 * step * free[:, None]
    return vertices, faces


def _normals(vertices: Array, faces: NDArray[np.int64]) -> Array:
    """The unit normal at each point, (n, 3)."""
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    cross = np.cross(b - a, c - a)
    normal = np.stack([np.bincount(faces.ravel(), weights=np.repeat(cross[:, k], 3), minlength=len(vertices)) for k in range(3)], axis=1)
    return np.asarray(normal / np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12))


def _largest(vertices: Array, faces: NDArray[np.int64]) -> Mesh:
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import connected_components

    rows, columns = np.concatenate((faces[:, 0], faces[:, 1])), np.concatenate((faces[:, 1], faces[:, 2]))
    graph = coo_matrix((np.ones(len(rows), dtype=np.int8), (rows, columns)), shape=(len(vertices), len(vertices)))
    label = connected_components(graph, directed=False)[1]
    kept = faces[label[faces[:, 0]] == np.bincount(label[faces[:, 0]]).argmax()]
    used, index = np.unique(kept, return_inverse=True)
    return vertices[used], index.reshape(-1, 3).astype(np.int64)


def _torn(mesh: Mesh, rng: np.random.Generator, unseen: tuple[tuple[float, float], ...]) -> Mesh:
    """Scan noise of 0.08 mm on top of slow waves of 0.1 mm, and a few small holes where the phone saw nothing."""
    vertices, faces = mesh
    slow = np.zeros(len(vertices))
    for _ in range(6):
        way = rng.normal(size=3) * 0.12
        slow += 0.05 * np.sin(vertices @ way + rng.uniform(0, 2 * np.pi))
    normal = _normals(vertices, faces)
    noise = np.clip(rng.normal(scale=0.08, size=len(vertices)), -0.25, 0.25)
    vertices = vertices + normal * (slow + noise)[:, None] + np.clip(rng.normal(scale=0.03, size=vertices.shape), -0.1, 0.1)
    for x, y in unseen:
        beside = np.hypot(vertices[:, 0] - x, vertices[:, 1] - y)
        spot = int(np.argmax(np.where(beside < PITCH, vertices[:, 2], -np.inf)))
        faces = faces[np.linalg.norm(vertices[faces].mean(axis=1) - vertices[spot], axis=1) > rng.uniform(2.2, 3.6)]
    return _largest(vertices, faces)


def _hair(rng: np.random.Generator) -> list[Mesh]:
    """Loose hairs as ribbons of a few faces, and specks of dust, floating over the skin."""
    found: list[Mesh] = []
    for _ in range(9):
        side = rng.choice((-1.0, 1.0))
        start = np.array([side * rng.uniform(38, 62), rng.uniform(-60, 60), rng.uniform(48, 66)])  # over the cheeks
        way = rng.normal(size=3) * (1, 1, 0.1)
        way /= np.linalg.norm(way)
        aside = np.cross(way, rng.normal(size=3))
        aside /= np.linalg.norm(aside)
        steps = np.arange(8)[:, None]
        line = start + 1.6 * steps * way + 0.05 * steps**2 * aside
        points = np.vstack((line, line + 0.4 * aside))
        low, high = np.arange(7), np.arange(7) + 8
        found.append((points, np.vstack((np.stack((low, low + 1, high), 1), np.stack((low + 1, high + 1, high), 1))).astype(np.int64)))
    for _ in range(5):
        spot = np.array([rng.uniform(-70, 70), rng.uniform(-70, 70), rng.uniform(60, 84)])
        points = spot + rng.normal(scale=0.7, size=(4, 3))
        found.append((points, np.array([[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]], dtype=np.int64)))
    return found


if __name__ == "__main__":
    print(write(Path(sys.argv[1] if len(sys.argv) > 1 else ".")))
