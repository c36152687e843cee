"""Polygons cut into triangles: same area, no fold, no sliver the file did not have, and never slow."""

from __future__ import annotations

import time

import numpy as np
import pytest

from lint.load.polygons import triangles


def cut(points: list[tuple[float, float, float]] | np.ndarray, *polygons: list[int]) -> tuple[np.ndarray, np.ndarray, int]:
    vertices = np.asarray(points, dtype=np.float64)
    faces, split = triangles(vertices, np.concatenate([np.array(p) for p in polygons]), np.array([len(p) for p in polygons]))
    a, b, c = (vertices[np.clip(faces[:, k], 0, len(vertices) - 1)] for k in range(3))
    with np.errstate(all="ignore"):
        return faces, np.cross(b - a, c - a) / 2, split


def edges(faces: np.ndarray) -> list[tuple[int, int]]:
    """Directed sides that have no partner the other way: the rim."""
    sides = {(int(f[k]), int(f[(k + 1) % 3])) for f in faces for k in range(3)}
    return sorted(s for s in sides if s[::-1] not in sides)


def test_a_convex_quad_is_a_fan_and_triangles_pass() -> None:
    faces, _, split = cut([(0, 0, 0), (2, 0, 0), (2, 1, 0), (0, 1, 0)], [0, 1, 2], [0, 1, 2, 3], [2, 1, 0])
    assert faces.tolist() == [[0, 1, 2], [0, 1, 2], [0, 2, 3], [2, 1, 0]]
    assert split == 1


@pytest.mark.parametrize("turn", range(4))
def test_a_hollow_quad_does_not_fold(turn: int) -> None:
    faces, area, _ = cut([(0, 0, 0), (4, 0, 0), (1, 1, 0), (0, 4, 0)], [(k + turn) % 4 for k in range(4)])
    assert (area[:, 2] > 0).all()
    assert area[:, 2].sum() == pytest.approx(4.0)
    assert edges(faces) == [(0, 1), (1, 2), (2, 3), (3, 0)]


@pytest.mark.parametrize("turn", range(4))
def test_a_straight_corner_gives_no_sliver(turn: int) -> None:
    _, area, _ = cut([(0, 0, 0), (2, 0, 0), (4, 0, 0), (0, 4, 0)], [(k + turn) % 4 for k in range(4)])
    assert area[:, 2].min() == pytest.approx(4.0)


@pytest.mark.parametrize("turn", range(12))
def test_a_star_on_a_slanted_plane_keeps_its_area(turn: int) -> None:
    angle = np.arange(12) * np.pi / 6
    radius = np.where(np.arange(12) % 2, 1.0, 3.0)
    flat = np.stack((radius * np.cos(angle), radius * np.sin(angle), np.zeros(12)), axis=1)
    turn_x = np.array([[1, 0, 0], [0, 0.6, -0.8], [0, 0.8, 0.6]])
    faces, area, _ = cut(flat @ turn_x.T + 1000, [(k + turn) % 12 for k in range(12)])
    along = area @ (turn_x @ [0, 0, 1])
    assert (along > 0).all()
    assert along.sum() == pytest.approx(12 * 0.5 * 3 * 1 * np.sin(np.pi / 6))
    assert len(faces) == 10
    assert edges(faces) == sorted((k, (k + 1) % 12) for k in range(12))


def test_wrong_corners_and_numbers_do_not_stop_it() -> None:
    points = np.array([(0, 0, 0), (1, 0, 0), (1, 1, np.nan), (0, 1, 0), (1e308, -1e308, 1e308)])
    faces, _, split = cut(points, [0, 1, 2, 3], [0, 1, 99, 3], [0, -1, 1, 3, 2], [0, 0, 0, 0], [4, 3, 1, 0], [1, 1, 1, 1, 1])
    assert len(faces) == 2 + 2 + 3 + 2 + 2 + 3
    assert split == 6


def test_a_polygon_of_many_corners_keeps_its_area() -> None:
    count = 10_000
    angle = 2 * np.pi * np.arange(count) / count
    radius = np.where(np.arange(count) % 2, 0.9, 1.0)
    points = np.stack((radius * np.cos(angle), radius * np.sin(angle), np.zeros(count)), axis=1)
    faces, area, _ = cut(points, list(range(count)))
    assert len(faces) == count - 2
    shoelace = 0.5 * np.sum(points[:, 0] * np.roll(points[:, 1], -1) - points[:, 1] * np.roll(points[:, 0], -1))
    assert area[:, 2].sum() == pytest.approx(shoelace)
    assert area[:, 2].min() > -1e-12


def test_a_polygon_of_many_corners_folded_and_ten_thousand_hollow_ones_are_not_slow() -> None:
    count = 300_000
    points = np.zeros((count, 3))
    points[:, 0] = np.arange(count)
    points[1::2, 1] = 1
    points[-1] = (0, -1, 0)
    began = time.process_time()
    assert len(cut(points, list(range(count)))[0]) == count - 2
    hollow = [list(range(k, k + 7)) for k in range(10_000)]
    assert len(cut(points, *hollow)[0]) == 50_000
    assert time.process_time() - began < 10
