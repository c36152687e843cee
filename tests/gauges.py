"""Small scans with a gauge of exactly known size in them, for the tests that look for one."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from corpus.solids import Mesh, ball, box, joined
from lint.terms import MM_PER_UNIT, Part, Source
from lint.ticket import Ticket


def part_of(mesh: Mesh, units: str | None = None, ticket: Ticket | None = None) -> Part:
    """A part as read from a file whose own numbers are in `units`."""
    scale = MM_PER_UNIT[units] if units else 1.0
    return Part(
        np.array(mesh[0]) * scale, np.array(mesh[1]), Source(Path("scan.ply"), "ply", "0" * 64, 0), units=units,
        units_from="the ticket" if units else "", placement=np.diag([scale, scale, scale, 1.0]), ticket=ticket or Ticket(),
    )  # fmt: skip


def turn(rng: np.random.Generator) -> NDArray[np.float64]:
    """A rotation evenly at random, (3, 3)."""
    q, r = np.linalg.qr(rng.normal(size=(3, 3)))
    q = q * np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else -q


def troll(step: float = 3.0) -> Mesh:
    """What lies beside the gauge: a bumpy half egg, open below."""
    vertices, faces = ball(40, (0, 0, 0), 4)
    faces = faces[vertices[faces][:, :, 2].min(axis=1) > 0]
    vertices = vertices * (1, 0.75, 1) + 2 * np.sin(vertices[:, [1, 2, 0]] / 6)
    return vertices + np.array([90.0, 20.0, 0.0]), faces


def table(step: float = 4.0) -> Mesh:
    """A piece of table, a sheet."""
    vertices, faces = box((160, 110, 1), (-60, -40, -1), step)
    return vertices, faces[vertices[faces][:, :, 2].min(axis=1) > -0.5]


def block(size: tuple[float, float, float] = (40, 40, 40), step: float = 1.25, seen: int = 5) -> Mesh:
    """A block standing on the table: `seen` 5 leaves out its foot, 4 one of its sides too."""
    vertices, faces = box(size, (0, 0, 0), step)
    corners = vertices[faces]
    keep = corners[:, :, 2].max(axis=1) > 1e-9
    if seen < 5:
        keep &= corners[:, :, 1].min(axis=1) < size[1] - 1e-9
    return vertices, faces[keep]


def cap(diameter: float, share: float, level: int = 4) -> Mesh:
    """A ball of which only the upper share of its height was seen."""
    vertices, faces = ball(diameter / 2, (0, 0, diameter / 2), level)
    return vertices, faces[vertices[faces][:, :, 2].mean(axis=1) > diameter * (1 - share)]


def scanned(*meshes: Mesh, noise: float, seed: int, scale: float = 1.0, holes: int = 0, spikes: int = 0) -> Mesh:
    """Meshes put together, given noise (mm), holes and spikes, turned and moved anywhere, in other numbers."""
    rng = np.random.default_rng(seed)
    vertices, faces = joined(*meshes)
    used, index = np.unique(faces, return_inverse=True)
    vertices, faces = vertices[used], index.reshape(-1, 3)
    vertices = vertices + rng.normal(scale=noise, size=vertices.shape)
    for spot in rng.integers(0, len(vertices), spikes):
        vertices[spot] += rng.normal(scale=2.0, size=3)
    for spot in rng.integers(0, len(vertices), holes):
        faces = faces[np.linalg.norm(vertices[faces].mean(axis=1) - vertices[spot], axis=1) > 3.5]
    return (vertices @ turn(rng).T + rng.normal(size=3) * 200) * scale, faces
