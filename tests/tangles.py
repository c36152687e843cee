"""Meshes that are hard on loops over faces: strewn, bumpy, folded through themselves, wound twice round a point."""

from __future__ import annotations

import numpy as np

from corpus import solids

Mesh = tuple[np.ndarray, np.ndarray]


def tangle(seed: int, faces: int = 400, size: float = 6.0) -> Mesh:
    """Triangles strewn about a box, many of them through each other, some lying in common planes, some slivers, some as good as lines."""
    rng = np.random.default_rng(seed)
    corners = rng.uniform(0, 40, (faces, 1, 3)) + rng.normal(0, size, (faces, 3, 3))
    flat = rng.integers(0, faces, faces // 4)
    corners[flat, :, 2] = np.round(corners[flat, :1, 2] / 10) * 10
    corners[rng.integers(0, faces, 20), 2] = corners[rng.integers(0, faces, 20), 1]
    corners[:20, 2] = corners[:20, 0] * 0.5 + corners[:20, 1] * 0.5 + rng.normal(0, 1e-7, (20, 3))
    return corners.reshape(-1, 3), np.arange(3 * faces).reshape(-1, 3)


def bumpy(level: int = 4) -> Mesh:
    points, faces = solids.ball(20, level=level)
    return points * (1 + 0.2 * np.sin(7 * points[:, :1] / 20) * np.cos(5 * points[:, 1:2] / 20)), faces


def folded() -> Mesh:
    """A bumpy ball whose points are shaken so much that it passes through itself everywhere."""
    points, faces = bumpy()
    return points + np.random.default_rng(5).normal(0, 0.9, points.shape), faces


def twice_round() -> Mesh:
    """A closed skin round an axis whose sides go about it twice, so that those at its tip, seen from above, take up two turns."""
    turn = 4 * np.pi * np.arange(9) / 9
    wide = np.where(np.arange(9) % 2 == 0, 9.0, 10.0)
    ring = 1 + np.arange(9)
    points = np.vstack(([[0, 0, 4]], np.stack((wide * np.cos(turn), wide * np.sin(turn), 0 * turn), axis=1), [[0, 0, -4]]))
    after = np.roll(ring, -1)
    faces = [np.stack((np.zeros(9, dtype=np.int64), ring, after), axis=1), np.stack((np.full(9, 10), after, ring), axis=1)]
    return points, np.vstack(faces)


def stepped(seed: int = 7, blocks: int = 14) -> Mesh:
    """Blocks with whole numbers for corners pushed into each other, shaken a little: many edges lie in the planes of other faces."""
    rng = np.random.default_rng(seed)
    points, faces, count = [], [], 0
    for _ in range(blocks):
        one, its = solids.box(tuple(rng.integers(4, 13, 3).astype(float)), tuple(rng.integers(0, 12, 3).astype(float)), step=2.0)
        points.append(one)
        faces.append(its + count)
        count += len(one)
    every = np.vstack(points)
    return every + rng.choice([0.0, 0.0, 0.02], every.shape), np.vstack(faces)
