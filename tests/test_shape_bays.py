"""Bays of a torn rim: filled as far as their teeth reach, flush with the skin, whichever way the rim looks."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.shape.bays import bridged
from lint.shape.crossing import crossing_faces
from lint.shape.nibble import open_loops
from lint.terms import FloatArray, IntArray
from tests.gauges import turn


def comb(teeth: int = 8, deep: float = 3.0) -> tuple[FloatArray, IntArray]:
    """A strip in the plane z = 0, 2 mm high, 2 mm a tooth, with triangular teeth standing on its upper side."""
    low = np.array([(2.0 * k, 0.0, 0.0) for k in range(teeth + 1)])
    high = low + np.array([0, 2, 0])
    tips = high[:-1] + np.array([1.0, deep, 0])
    k = np.arange(teeth)
    n = teeth + 1
    faces = np.vstack((np.stack((k, k + 1, n + k + 1), 1), np.stack((k, n + k + 1, n + k), 1), np.stack((n + k, n + k + 1, 2 * n + k), 1)))
    return np.vstack((low, high, tips)), faces


def areas(vertices: FloatArray, faces: IntArray) -> FloatArray:
    a, b, c = (vertices[faces[:, i]] for i in range(3))
    half: FloatArray = np.cross(b - a, c - a) / 2
    return half


@pytest.mark.parametrize("seed", [None, 1, 2, 3])
def test_a_comb_is_filled_to_the_tips_of_its_teeth(seed: int | None) -> None:
    vertices, faces = comb()
    if seed is not None:
        vertices = vertices @ turn(np.random.default_rng(seed)).T + (5.0, -300.0, 20.0)
    (rim,), _ = open_loops(faces, len(vertices))
    bays, left = bridged(vertices, faces, rim, 6.0)
    assert len(bays) == 7  # one between each two teeth
    assert np.linalg.norm(areas(vertices, bays).sum(axis=0)) == pytest.approx(7 * 3.0)
    whole = np.vstack((faces, bays))
    (again,), label = open_loops(whole, len(vertices))
    assert set(again.tolist()) == set(left.tolist())
    assert set(label.tolist()) == {0}
    assert not crossing_faces(vertices, whole, np.arange(len(whole)) >= len(faces)).any()
    facing = areas(vertices, whole)
    assert (facing @ facing[0] > 0).all()
    assert len(bridged(vertices, whole, again, 6.0)[0]) == 0


def test_no_way_is_longer_than_allowed() -> None:
    vertices, faces = comb()
    (rim,), _ = open_loops(faces, len(vertices))
    assert len(bridged(vertices, faces, rim, 1.9)[0]) == 0
    assert len(bridged(vertices, faces, rim, 2.1)[0]) == 7


def test_a_smooth_rim_that_bends_in_is_left_alone() -> None:
    t = np.linspace(0, 2 * np.pi, 120, endpoint=False)
    around = (20 + 6 * np.cos(2 * t))[:, None] * np.column_stack((np.cos(t), np.sin(t)))
    vertices = np.column_stack((np.vstack((around, [[0.0, 0.0]])), np.zeros(121)))
    k = np.arange(120)
    faces = np.stack((np.full(120, 120), k, (k + 1) % 120), 1)
    (rim,), _ = open_loops(faces, 121)
    bays, left = bridged(vertices, faces, rim, 30.0)
    assert len(bays) == 0
    assert np.array_equal(left, rim)


def test_a_bay_with_a_tooth_standing_in_it_is_not_covered_over() -> None:
    vertices, faces = comb(teeth=3)
    vertices[8 + 1] += (0.0, -1.5, 0.0)  # the middle tooth is half as tall
    (rim,), _ = open_loops(faces, len(vertices))
    bays, _ = bridged(vertices, faces, rim, 6.0)
    whole = np.vstack((faces, bays))
    assert not crossing_faces(vertices, whole, np.arange(len(whole)) >= len(faces)).any()
    assert np.linalg.norm(areas(vertices, bays).sum(axis=0)) == pytest.approx(areas(vertices, bays)[:, 2].sum())
    assert (areas(vertices, bays)[:, 2] > 0).all()


@pytest.mark.parametrize(("cap", "seed"), [(0.7, 1), (1.2, 2), (1.9, 3)])
def test_on_a_ball_the_filling_is_the_ball(cap: float, seed: int) -> None:
    vertices, faces = solids.ball(40.0, level=4)
    rng = np.random.default_rng(seed)
    middle = vertices[faces].mean(axis=1)
    torn = faces[np.arccos(middle[:, 2] / np.linalg.norm(middle, axis=1)) < cap + rng.uniform(-0.04, 0.04, len(faces))]
    _, label = open_loops(torn, len(vertices))
    sheet = torn[label == np.bincount(label).argmax()]
    loops, _ = open_loops(sheet, len(vertices))
    rim = max(loops, key=len)
    bays, left = bridged(vertices, sheet, rim, 15.0)
    assert len(bays) > 5
    assert len(left) == len(rim) - len(bays)
    centre = vertices[bays].mean(axis=1)
    # flat faces between points of the ball lie under it by their sagitta, at most reach squared over eight radii
    assert (40.0 - np.linalg.norm(centre, axis=1)).max() < 15.0**2 / (8 * 40.0)
    looks = areas(vertices, bays)
    assert ((looks * centre).sum(axis=1) > 0.7 * np.linalg.norm(looks, axis=1) * np.linalg.norm(centre, axis=1)).all()
    long = [np.linalg.norm(vertices[r] - vertices[np.roll(r, 1)], axis=1).sum() for r in (rim, left)]
    assert long[1] < long[0]
