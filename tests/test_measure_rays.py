"""Rays: all makers of the answer say the same, and it is the true distance."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint import loops
from lint.measure.rays import Rays, first_hits


def made(mesh: solids.Mesh, monkeypatch: pytest.MonkeyPatch, which: str) -> Rays:
    monkeypatch.setenv("BUCKWRIGHT_RAYS", "plain" if which == "plain" else "")
    monkeypatch.setenv("BUCKWRIGHT_LOOPS", "" if which == "ours" else "plain")
    if which == "quick":
        pytest.importorskip("embreex")
    if which == "ours" and not loops.there():
        pytest.skip("the compiled loops are not installed")
    a, b, c = (mesh[0][mesh[1][:, i]] for i in range(3))
    normal = np.cross(b - a, c - a)
    rays = Rays(mesh[0], mesh[1], normal / np.linalg.norm(normal, axis=1)[:, None])
    assert type(rays._own or rays._tree).__name__ == {"plain": "_Plain", "quick": "_Quick", "ours": "Tree"}[which]
    return rays


def pencil(count: int, seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    direction = rng.normal(size=(count, 3))
    return rng.uniform(-60, 60, (count, 3)), direction / np.linalg.norm(direction, axis=1)[:, None]


@pytest.mark.parametrize("which", ["ours", "quick"])
@pytest.mark.parametrize("shift", [0.0, 1000.0])
def test_makers_agree_on_a_bumpy_solid(which: str, shift: float, monkeypatch: pytest.MonkeyPatch) -> None:
    vertices, faces = solids.ball(30, level=4)
    vertices = vertices * (1 + 0.3 * np.sin(5 * vertices[:, :1] / 30) * np.cos(7 * vertices[:, 1:2] / 30)) + shift
    origin, direction = pencil(20_000, 7)
    answers = [made((vertices, faces), monkeypatch, w).first(origin + shift, direction) for w in (which, "plain")]
    (face, far), (other, as_far) = answers
    assert (face >= 0).sum() > 3000
    same = (face >= 0) == (other >= 0)
    assert same.mean() > 0.9995  # the few that graze the outline may fall either way
    both = np.flatnonzero(same & (face >= 0))
    apart = np.abs(far[both] - as_far[both])
    assert (apart < 1e-6).mean() > 0.999


@pytest.mark.parametrize("which", ["ours", "quick", "plain"])
def test_distance_to_a_plane_is_exact_far_from_the_origin(which: str, monkeypatch: pytest.MonkeyPatch) -> None:
    block = solids.box((40, 40, 0.3), low=(5000, -5000, 5000), step=5)
    rays = made(block, monkeypatch, which)
    rng = np.random.default_rng(3)
    origin = np.column_stack((rng.uniform(5001, 5039, 500), rng.uniform(-4999, -4961, 500), np.full(500, 5000.2)))
    face, far = rays.first(origin, np.tile([0.0, 0.0, -1.0], (500, 1)))
    assert (face >= 0).all()
    np.testing.assert_allclose(far, 0.2, atol=1e-8)


@pytest.mark.parametrize("which", ["ours", "quick", "plain"])
def test_skin_that_faces_the_wrong_way_is_passed(which: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Going down from the lid of a box within a box, the lid of the inner one is entered, not left."""
    nest = solids.joined(solids.box((40, 40, 40)), solids.box((20, 20, 20), low=(10, 10, 10)))
    rays = made(nest, monkeypatch, which)
    start, down = np.array([[19.0, 21.5, 39.9]]), np.array([[0.0, 0.0, -1.0]])
    assert rays.first(start, down)[1] == pytest.approx(9.9)
    assert rays.first_facing(start, down, away=True)[1] == pytest.approx(29.9)
    assert rays.first_facing(start, down, away=False)[1] == pytest.approx(9.9)
    assert np.isinf(rays.first_facing(start, down, away=True, reach=20.0)[1]).all()
    assert np.isinf(rays.first_facing(start, -down, away=False)[1]).all()


@pytest.mark.parametrize("which", ["ours", "quick", "plain"])
def test_a_ray_from_every_face_of_a_ball_crosses_it(which: str, monkeypatch: pytest.MonkeyPatch) -> None:
    vertices, faces = solids.ball(25, level=5)
    rays = made((vertices, faces), monkeypatch, which)
    centre = vertices[faces].mean(axis=1)
    face, far = rays.first_facing(centre - rays.gap * rays.normal, -rays.normal, away=True)
    assert (face >= 0).all()
    np.testing.assert_allclose(far, 50, atol=0.05)


def test_an_empty_mesh_meets_nothing() -> None:
    face, far = first_hits(np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64), np.zeros((1, 3)), np.array([[0.0, 0.0, 1.0]]))
    assert (face == -1).all()
    assert np.isinf(far).all()
