"""Volumes, shells and Euler numbers of solids whose answer is known, each with its source."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
import trimesh

from corpus import solids
from lint.measure import Survey
from lint.measure.displacement import skin_moved
from lint.measure.surface import weld_exact
from lint.terms import NotRun, Part, Source, Zone


def survey(mesh: solids.Mesh) -> Survey:
    return Survey(part(mesh))


def part(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("x.stl"), "stl", "", 0), units="mm")


def euler(s: Survey) -> int:
    """Points minus edges plus faces: 2 (shells - handles) for closed skins (Euler-Poincare)."""
    skin, edges = s.get("skin"), s.get("edges")
    return len(skin.vertices) - len(edges.ends) + len(skin.faces)


def test_volume_of_a_box_anywhere_and_inside_out() -> None:
    """Divergence theorem (Zhang & Chen 2001, formula from memory): 10 x 20 x 30 = 6000, negative when turned inside out."""
    box = solids.box((10, 20, 30), (100, 200, 300))
    assert survey(box).get("volume") == pytest.approx(6000, rel=1e-12)
    assert survey(solids.flipped(box)).get("volume") == pytest.approx(-6000, rel=1e-12)
    far = (box[0] + 1e6, box[1])
    assert survey(far).get("volume") == pytest.approx(6000, rel=1e-9)


def test_an_open_box_has_no_volume() -> None:
    box = solids.box((10, 20, 30))
    with pytest.raises(NotRun):
        survey((box[0], box[1][1:])).get("volume")


@pytest.mark.parametrize(("level", "share"), [(2, 0.96616), (3, 0.99139), (4, 0.99784), (5, 0.99946)])
def test_volume_of_a_faceted_ball(level: int, share: float) -> None:
    """Share of the true ball that an icosahedron halved `level` times fills; computed independently with trimesh."""
    mesh = solids.ball(50, level=level)
    true = 4 / 3 * math.pi * 50**3
    assert survey(mesh).get("volume") / true == pytest.approx(share, abs=5e-6)
    assert survey(mesh).get("volume") == pytest.approx(trimesh.Trimesh(*mesh).volume, rel=1e-12)


@pytest.mark.parametrize("sides", [32, 64, 128])
def test_volume_of_a_faceted_cylinder(sides: int) -> None:
    """A regular n-gon holds (n / 2 pi) sin(2 pi / n) of its circle (Euclidean geometry)."""
    share = sides / (2 * math.pi) * math.sin(2 * math.pi / sides)
    assert survey(solids.tube(10, 0, 20, sides)).get("volume") == pytest.approx(math.pi * 100 * 20 * share, rel=1e-12)


def test_volume_and_area_of_a_ring() -> None:
    """Pappus: V = 2 pi^2 R r^2 and A = 4 pi^2 R r for the true torus; the facets fall a little short."""
    s = survey(solids.torus(30, 8, 256, 128))
    assert s.get("volume") == pytest.approx(2 * math.pi**2 * 30 * 64, rel=6e-4)
    assert s.get("facets").area.sum() == pytest.approx(4 * math.pi**2 * 30 * 8, rel=3e-4)
    assert s.get("volume") == pytest.approx(37880.26, abs=0.01)  # the faceted value, computed independently with trimesh


def test_hollow_ball_volume_shells_and_euler_number() -> None:
    """V = 4/3 pi (R^3 - (R - t)^3); two shells, Euler number 4."""
    s = survey(solids.joined(solids.ball(40), solids.flipped(solids.ball(36))))
    assert s.get("volume") == pytest.approx(4 / 3 * math.pi * (40**3 - 36**3) * 0.99784, rel=1e-5)
    assert s.get("shells").count == 2
    assert sorted(np.sign(s.get("shells").volume)) == [-1, 1]
    assert euler(s) == 4


@pytest.mark.parametrize("holes", [1, 2, 3])
def test_holes_through_the_wall_make_one_shell_with_handles(holes: int) -> None:
    """n holes through the wall of a hollow ball: one shell of genus n - 1, so Euler number 4 - 2 n (Euler-Poincare)."""
    mesh = solids.cut(solids.ball(40), solids.ball(36))
    pin = solids.tube(2, 0, 60, 48)
    turns = [np.eye(3), np.diag([1.0, -1.0, -1.0]), np.array([[0, 0, 1.0], [0, 1.0, 0], [-1.0, 0, 0]])]
    before = survey(mesh).get("volume")
    for turn in turns[:holes]:
        mesh = solids.cut(mesh, (pin[0] @ turn.T, pin[1]))
    s = survey(mesh)
    assert s.get("shells").count == 1
    assert euler(s) == 4 - 2 * holes
    assert (before - s.get("volume")) / holes == pytest.approx(math.pi * 4 * 4, rel=0.01)  # pi r^2 t a hole


def test_euler_number_of_ball_ring_and_pair() -> None:
    assert euler(survey(solids.ball(10, level=2))) == 2
    assert euler(survey(solids.torus(30, 8, 32, 16))) == 0
    assert euler(survey(solids.joined(solids.ball(1, level=1), solids.ball(1, (5, 0, 0), level=1)))) == 4


def test_a_closed_skin_has_three_edges_for_two_faces() -> None:
    """3 F = 2 E for closed triangle skins."""
    s = survey(solids.torus(30, 8, 32, 16))
    assert 3 * len(s.get("skin").faces) == 2 * len(s.get("edges").ends)
    assert s.get("edges").closed


def test_area_vectors_of_a_closed_skin_sum_to_nothing_and_show_the_opening() -> None:
    """Divergence theorem: the sum of area vectors is zero when closed, else minus that of the opening."""
    box = solids.box((10, 20, 30), step=5)
    for mesh, total in ((box, (0, 0, 0)), ((box[0], box[1][~_top(box)]), (0, 0, -200))):
        f = survey(mesh).get("facets")
        np.testing.assert_allclose((f.normal * f.area[:, None]).sum(axis=0), total, atol=1e-9)


def _top(mesh: solids.Mesh) -> np.ndarray:
    return (mesh[0][mesh[1]][:, :, 2] == 30).all(axis=1)


def test_rims_of_an_open_pipe() -> None:
    """A pipe of paper: two round rims of 2 n r sin(pi / n) each."""
    pipe = solids.tube(10, 0, 40, 64, rings=4)
    side = ~((pipe[0][pipe[1]][:, :, 2] == 0).all(axis=1) | (pipe[0][pipe[1]][:, :, 2] == 40).all(axis=1))
    rims = survey((pipe[0], pipe[1][side])).get("rims")
    assert [r.closed for r in rims] == [True, True]
    assert [len(r.points) for r in rims] == [64, 64]
    assert rims[0].length == pytest.approx(2 * 64 * 10 * math.sin(math.pi / 64))


def test_two_cubes_that_touch_in_a_point_are_pinched_there_and_nowhere_else() -> None:
    mesh = solids.joined(solids.box((1, 1, 1)), solids.box((1, 1, 1), (1, 1, 1)))
    s = survey(mesh)
    assert s.get("shells").count == 2
    np.testing.assert_array_equal(s.get("skin").vertices[s.get("pinched")], [[1, 1, 1]])


def test_exact_weld_agrees_with_numpy_and_joins_minus_zero() -> None:
    rng = np.random.default_rng(3)
    points = rng.integers(-3, 4, (5000, 3)).astype(float)
    points[::7] *= -1.0  # makes minus zeros
    distinct, old = weld_exact(points)
    np.testing.assert_array_equal(distinct[old], points + 0.0)
    assert len(distinct) == len(np.unique(points + 0.0, axis=0))


def test_skin_movement_of_concentric_balls_is_the_difference_of_radii() -> None:
    """Hausdorff distance of concentric spheres is R - r; the facets add at most their own sag."""
    small, large = solids.ball(20, level=5), solids.ball(20.5, level=5)
    moved = skin_moved(part(small), part(large), None, ())
    assert moved.max == pytest.approx(0.5, abs=0.02)
    same = skin_moved(part(small), part((small[0] + 7.0, small[1])), _shift(7.0), ())
    assert same.max < 1e-9


def test_skin_movement_leaves_out_declared_zones_and_nothing_else() -> None:
    box = solids.box((40, 40, 40), step=4)
    raised = np.array(box[0])
    raised[np.linalg.norm(raised - [20, 20, 40], axis=1) < 1] += [0, 0, 3]
    there = Zone("near", "bump", 6.5, ((20.0, 20.0, 41.5),))
    assert skin_moved(part(box), part((raised, box[1])), None, ()).max == pytest.approx(3.0, abs=0.05)
    assert skin_moved(part(box), part((raised, box[1])), None, (there,)).max < 1e-9


def test_a_spike_added_outside_is_seen_though_all_old_skin_is_kept() -> None:
    """Directed distances differ: from old to new nothing moved, the other way about 10 mm did."""
    box = solids.box((40, 40, 40), step=4)
    spiked = solids.fused(box, solids.box((2, 2, 10), (19, 19, 40)))
    assert skin_moved(part(box), part(spiked), None, ()).max == pytest.approx(10.0, abs=0.2)


def _shift(x: float) -> np.ndarray:
    matrix = np.eye(4)
    matrix[:3, 3] = x
    return matrix
