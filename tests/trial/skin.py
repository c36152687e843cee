"""Plants for the rules of how fine the skin is (12 to 14) and of what the ticket says of its size (20)."""

from __future__ import annotations

import numpy as np

from corpus import solids
from tests.trial import MM, Bases, Planted, plants


def _round(rng: np.random.Generator) -> tuple[str, solids.Mesh]:
    """A finely cut round solid with edges of about a millimetre."""
    kind = rng.integers(0, 3)
    if kind == 0:
        return "ball", solids.ball(float(rng.uniform(20, 35)), level=5)
    if kind == 1:
        return "ring", solids.torus(float(rng.uniform(25, 40)), float(rng.uniform(8, 14)), 192, 48)
    profile = [(25 + 5 * float(np.sin(z / 9)), float(z)) for z in np.linspace(0, 60, 61)]
    return "vase", solids.turned([(0.0, 0.0), *profile, (0.0, 60.0)], 128)


@plants(12)
def noise(rng: np.random.Generator, bases: Bases) -> Planted:
    """Points stand off a round skin at random by a known standard deviation, either side of half a layer."""
    name, (vertices, faces) = _round(rng)
    layer = float(rng.choice([0.1, 0.2, 0.3]))
    rough = bool(rng.random() < 0.6)
    limit = layer / 2
    size = limit * float(rng.uniform(1.25, 4) if rough else rng.uniform(0, 0.75))
    # Noise half as tall as the facets are long would turn the facets themselves over, and no fit could tell its size.
    edge = float(np.median(np.linalg.norm(vertices[faces[:, 0]] - vertices[faces[:, 1]], axis=1)))
    size = max(min(size, 0.35 * edge), 1.25 * limit) if rough else size
    normal = _normals(vertices, faces)
    return Planted(12, (vertices + normal * rng.normal(scale=size, size=(len(vertices), 1)), faces), rough,
                   f"{name} with noise of {size:.3f} mm at a layer of {layer}", ticket=f"{MM}[print]\nlayer = {layer}\n",
                   measured=size if rough else None, within=0.15 * size)  # fmt: skip


@plants(12)
def relief(rng: np.random.Generator, bases: Bases) -> Planted:
    """Waves of several mm length, far taller than the limit, are detail and no noise."""
    name, (vertices, faces) = _round(rng)
    length = float(rng.uniform(10, 25))
    tall = float(rng.uniform(0.02, 0.05)) * length
    along = rng.normal(size=3)
    across = np.cos(2 * np.pi * (vertices @ along / np.linalg.norm(along)) / length)
    return Planted(12, (vertices + _normals(vertices, faces) * tall * across[:, None] / 2, faces), False,
                   f"{name} with waves of {length:.1f} mm, {tall:.2f} mm tall")  # fmt: skip


@plants(12)
def coarse_but_smooth(rng: np.random.Generator, bases: Bases) -> Planted:
    """A lumpy egg drawn with few, uneven facets is coarse (rule 13) and not rough: each point lies on the true round."""
    from scipy.spatial import ConvexHull

    points = rng.normal(size=(int(rng.integers(500, 4000)), 3))
    points /= np.linalg.norm(points, axis=1, keepdims=True)
    faces = ConvexHull(points).simplices.astype(np.int64)
    c = points[faces]
    inward = np.einsum("ij,ij->i", np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]), c.mean(axis=1)) < 0
    faces[inward] = faces[inward][:, ::-1]
    tall = rng.uniform(0, 0.08, 2)
    lumps = 1 + tall[0] * np.sin(9 * points[:, :1]) + tall[1] * np.cos(7 * points[:, 1:2])
    return Planted(12, (points * lumps * rng.uniform(60, 130, 3), faces), False, f"egg of {len(faces)} uneven facets")


def _normals(vertices: np.ndarray, faces: np.ndarray) -> np.ndarray:
    c = vertices[faces]
    normal = np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])
    total = np.stack([np.bincount(faces.ravel(), weights=np.repeat(normal[:, k], 3), minlength=len(vertices)) for k in range(3)], axis=1)
    return total / np.maximum(np.linalg.norm(total, axis=1, keepdims=True), 1e-12)


@plants(13)
def flats(rng: np.random.Generator, bases: Bases) -> Planted:
    """A pipe of n sides: its flats lie r (1 - cos(pi / n)) under the round, either side of a quarter of a nozzle."""
    nozzle = float(rng.choice([0.25, 0.4, 0.8]))
    sides = int(rng.integers(10, 40))
    coarse = bool(rng.random() < 0.6)
    sag = nozzle / 4 * float(rng.uniform(1.2, 6) if coarse else rng.uniform(0.1, 0.8))
    radius = sag / (1 - np.cos(np.pi / sides))
    rings = int(rng.integers(1, 5))
    mesh = solids.tube(float(radius), 0.0, float(rng.uniform(1, 3)) * radius, sides, rings)
    return Planted(13, mesh, coarse, f"cylinder of {radius:.1f} mm with {sides} sides, {rings} rings, sag {sag:.3f}",
                   ticket=f"{MM}[print]\nnozzle = {nozzle}\n", measured=sag if coarse else None, within=0.05 * sag)  # fmt: skip


@plants(13)
def true_edges(rng: np.random.Generator, bases: Bases) -> Planted:
    """Boxes, and prisms of up to eight sides, mean their flats, however they are cut."""
    if rng.random() < 0.5:
        return Planted(13, solids.box(rng.uniform(10, 60, 3), step=float(rng.uniform(2, 9))), False, "box")
    sides = int(rng.integers(3, 9))
    mesh = solids.tube(float(rng.uniform(8, 30)), 0.0, float(rng.uniform(10, 60)), sides, int(rng.integers(1, 6)))
    return Planted(13, mesh, False, f"prism of {sides} sides")


@plants(14)
def heavy(rng: np.random.Generator, bases: Bases) -> Planted:
    """Balls of 20,480 or 81,920 faces whose middle edge is either side of half a nozzle; only the larger count is a burden."""
    nozzle = float(rng.choice([0.4, 0.6, 0.8]))
    many = bool(rng.random() < 0.8)
    vertices, faces = solids.ball(1.0, level=6 if many else 5)
    ends = np.sort(np.vstack((faces[:, [0, 1]], faces[:, [1, 2]], faces[:, [2, 0]])), axis=1)
    key = np.unique(ends[:, 0] * len(vertices) + ends[:, 1])
    middle = float(np.median(np.linalg.norm(vertices[key // len(vertices)] - vertices[key % len(vertices)], axis=1)))
    fine = bool(rng.random() < 0.6)
    edge = nozzle / 2 * float(rng.uniform(0.2, 0.97) if fine else rng.uniform(1.03, 4))
    return Planted(14, (vertices * edge / middle, faces), many and fine, f"ball of {len(faces)} faces with edges of {edge:.3f} mm",
                   ticket=f"{MM}[print]\nnozzle = {nozzle}\n", measured=edge if many and fine else None, within=1e-5, count=1)  # fmt: skip


@plants(20)
def no_true_length(rng: np.random.Generator, bases: Bases) -> Planted:
    """A ticket with no, one or two marked lengths."""
    name, mesh = bases.pick(rng)
    many = int(rng.integers(0, 3))
    ends = [(mesh[0][k].tolist(), mesh[0][-1 - k].tolist()) for k in range(many)]
    text = MM + "".join(f"[[length]]\nfrom = {a}\nto = {b}\ntrue = {float(rng.uniform(10, 200))!r}\n" for a, b in ends)
    return Planted(20, mesh, many == 0, f"{name} with {many} lengths", ticket=text, measured=0.0 if many == 0 else None)
