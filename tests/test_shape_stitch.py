"""Stitch: slits where a point was set on one side of an edge only are sewn up, and no face a hair wide is left in them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.displacement import skin_moved
from lint.settings import Settings
from lint.shape import close
from lint.shape.stitch import sewn_up
from lint.terms import FloatArray, Job, Part
from tests.test_seat import part_of


def with_points_on_sides(mesh: solids.Mesh, faces: list[int], off: FloatArray, cuts: int = 1) -> solids.Mesh:
    """The first sides of some faces cut in `cuts` + 1 on that face alone, the new points `off` (3,) the side."""
    vertices, old = mesh
    points, made = list(vertices), [row for k, row in enumerate(old.tolist()) if k not in faces]
    for k in faces:
        a, b, c = old[k].tolist()
        shares = np.arange(1, cuts + 1) / (cuts + 1)
        trail = [a, *range(len(points), len(points) + cuts), b]
        points += [vertices[a] + s * (vertices[b] - vertices[a]) + off for s in shares]
        made += [[p, q, c] for p, q in pairwise(trail)]
    return np.array(points), np.array(made)


def part(off: float, cuts: int = 1) -> Part:
    ball = solids.ball(20.0, level=3)
    return part_of(*with_points_on_sides(ball, [0, 100, 300, 301], np.array([0.6, 0.0, 0.8]) * off, cuts))


@pytest.mark.parametrize("off", [0.0, 0.01, -0.01, 0.04])
@pytest.mark.parametrize("cuts", [1, 3])
def test_slits_along_sides_are_sewn_up_without_faces_a_hair_wide(off: float, cuts: int) -> None:
    torn = part(off, cuts)
    before = Survey(torn)
    assert len(before.get("edges").open) == 4 * (cuts + 2)
    shaped = close.make(Job(torn, Settings(), (), (), before, frozenset(), True))
    after = Survey(shaped.part)
    assert after.get("edges").closed
    assert len(shaped.part.faces) == len(torn.faces) + 4 * cuts, "each slit costs as many faces as it has points"
    assert not len(after.get("crossings").pairs)
    assert float(after.get("facets").area.min()) > 0.2
    moved = skin_moved(torn, shaped.part, shaped.moved, shaped.zones)
    assert moved.max <= shaped.promise.skin_max + 1e-9  # type: ignore[operator]
    assert shaped.promise.skin_max <= 1.06 * abs(off) + 1e-9  # type: ignore[operator]
    assert "sewed up 4 slits" in shaped.did


def test_a_wide_gap_is_no_slit() -> None:
    assert sewn_up(Survey(part(0.5))) is None


@pytest.mark.parametrize(("high", "sewn"), [(5.0, True), (0.01, False)])
def test_a_slit_is_sewn_only_where_that_folds_nothing(high: float, sewn: bool) -> None:
    """A point lies 0.03 mm over the side from 0 to 1; where the far corner of the face there lies nearer, it would fold."""
    points = np.array([[0.0, 0.0, 0.0], [10.0, 0.0, 0.0], [5.0, high, 0.0], [5.0, -10.0, 0.0], [5.0, 0.03, 0.0],
                       [-5.0, 0.0, 0.0], [15.0, 0.0, 0.0]])  # fmt: skip
    survey = Survey(part_of(points, np.array([[0, 1, 2], [1, 4, 3], [4, 0, 3], [0, 2, 5], [0, 5, 3], [2, 1, 6], [1, 3, 6]])))
    made = sewn_up(survey)
    assert (made is not None) == sewn
    if made is not None:
        assert made.slits == 1
        assert made.widest == pytest.approx(0.03)


def test_holes_beside_slits_are_filled_as_before() -> None:
    torn = part(0.01)
    part_with_hole = part_of(torn.vertices, np.delete(torn.faces, [500, 501], axis=0))
    shaped = close.make(Job(part_with_hole, Settings(), (), (), Survey(part_with_hole), frozenset(), True))
    assert Survey(shaped.part).get("edges").closed
    assert "sewed up" in shaped.did
    assert "filled" in shaped.did
