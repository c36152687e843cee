"""What keeps a hollow's wall when its faces are made fewer, and what tells the promise measure which faces have not moved."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from corpus import solids
from lint.measure.displacement import shared_faces, skin_moved
from lint.shape.creases import bad_faces, ironed
from lint.shape.offset_field import Near
from lint.shape.set_back import set_back, thin_places
from lint.shape.verify import bare_part


def sound(points: np.ndarray, triangles: np.ndarray) -> bool:
    mesh = manifold3d.Mesh64(np.ascontiguousarray(points), np.ascontiguousarray(triangles, dtype=np.uint64))
    return manifold3d.Manifold(mesh).status() == manifold3d.Error.NoError


def test_a_place_between_the_corners_is_found_wherever_it_lies() -> None:
    """A post that stands off the middles of all sides and faces: 2 mm of wall over it, known from the solids."""
    outer = Near(*solids.fused(solids.box((60.0, 60.0, 3.0)), solids.box((0.5, 0.5, 6.0), (37.3, 11.9, 0.0))))
    points, triangles = solids.flipped(solids.box((60.0, 60.0, 10.0), (0.0, 0.0, 8.0)))
    corners, _ = outer.nearest(points)
    assert corners.min() == pytest.approx(5.0)
    _, place, far, _, least = thin_places(outer, points, triangles, corners, 3.0)
    assert least == pytest.approx(2.0, abs=0.003)
    assert far.min() == pytest.approx(least)
    assert np.abs(place[far.argmin()] - (37.55, 12.15, 8.0)).max() < 0.3

    bent, faces, thinnest, _ = set_back(outer, points, triangles, 3.0)
    assert 2.998 <= thinnest <= 3.05
    rng = np.random.default_rng(1)
    share = rng.dirichlet((1, 1, 1), 200 * len(faces))
    spots = (bent[np.repeat(faces, 200, axis=0)] * share[:, :, None]).sum(axis=1)
    assert outer.nearest(spots)[0].min() >= 2.998
    assert sound(bent, faces[:, ::-1])


def test_slivers_and_folds_are_ironed_out_and_the_ball_stays_a_ball() -> None:
    points, triangles = (np.array(x) for x in solids.ball(20.0))
    points[triangles[40, 1]] = (points[triangles[40, 0]] + points[triangles[40, 2]]) / 2 + 1e-5  # a cap
    points[triangles[900, 0]] = points[triangles[900, 1]] + 1e-5  # a needle
    assert bad_faces(points, triangles).sum() >= 2
    made = ironed(points, triangles)
    assert made is not None
    assert not bad_faces(*made).any()
    assert len(triangles) - 12 <= len(made[1]) < len(triangles)
    assert sound(*made)
    assert np.abs(np.linalg.norm(made[0], axis=1) - 20.0).max() < 0.6


def test_a_row_of_faces_of_no_width_is_turned_into_the_face_across_and_a_flat_scrap_goes() -> None:
    """What making a mesh of fewer faces leaves along a straight edge: a fan of slivers from its end, each turned only after the next."""
    many = 60
    along = np.column_stack((np.linspace(0.0, 31.0, many + 2), np.zeros((many + 2, 2))))
    points = np.vstack((along, [(15.0, 20.0, 0.0), (15.0, 8.0, 20.0)]))
    last, d, e = many + 1, many + 2, many + 3
    fan = [(k, k + 1, e) for k in range(last)] + [(0, k + 1, k) for k in range(1, last)]
    wedge = points, np.array([*fan, (last, 0, d), (0, e, d), (e, last, d)])
    scrap = np.array([(90.0, 0, 0), (93, 0, 0), (91, 2, 0), (92, 2, 0)]), np.array([(0, 1, 2), (1, 0, 3), (2, 1, 3), (0, 2, 3)])
    ball = solids.ball(10.0, (60.0, 0.0, 0.0), level=5)
    whole = solids.joined(ball, wedge)
    assert bad_faces(*whole).sum() == many
    made = ironed(*solids.joined(ball, scrap, wedge))
    assert made is not None
    assert not bad_faces(*made).any()
    assert len(made[1]) == len(whole[1])
    assert sound(*made)
    corners, others = (m[0][m[1]] for m in (whole, made))
    assert np.linalg.det(others).sum() == pytest.approx(np.linalg.det(corners).sum(), rel=1e-12)
    area, other = (np.linalg.norm(np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0]), axis=1).sum() for c in (corners, others))
    assert other == pytest.approx(area, rel=1e-12)


def test_only_faces_with_the_very_numbers_count_as_unmoved() -> None:
    points, triangles = solids.ball(20.0)
    rng = np.random.default_rng(2)
    shuffle = rng.permutation(len(points))
    again, faces = points[shuffle], np.roll(np.argsort(shuffle)[triangles], 1, axis=1)[rng.permutation(len(triangles))]
    assert all(s.all() for s in shared_faces(points, triangles, again, faces))
    assert not any(s.any() for s in shared_faces(points, triangles, again, faces[:, ::-1]))
    again[7, 0] = np.nextafter(again[7, 0], 99.0)
    here, there = shared_faces(points, triangles, again, faces)
    assert (~here).sum() == (~there).sum() == (faces == 7).any(axis=1).sum() > 0
    again[7] *= 1.01  # and what did move is measured
    assert skin_moved(bare_part(points, triangles), bare_part(again, faces), None, ()).max == pytest.approx(0.2, rel=0.05)
