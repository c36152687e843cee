"""Rule 6 and untangle: points that hold two pieces of skin, against libigl."""

from __future__ import annotations

import numpy as np
import pytest

import corpus.fault_006_pinched_point as fault
from corpus import solids
from lint.measure import Survey
from tests.meshes import cases, mended, part, said, without

CUBE = solids.box((40, 40, 40), step=10)


def hourglass() -> solids.Mesh:
    specimen = fault.make()
    return specimen.vertices, specimen.faces


def igl_pinched(mesh: solids.Mesh) -> set[tuple[float, ...]]:
    import igl

    skin = Survey(part(mesh)).get("skin")
    flags = np.asarray(igl.is_vertex_manifold(skin.faces)).reshape(-1).astype(bool)
    return {tuple(p) for p in skin.vertices[~flags]}


@pytest.mark.parametrize("mesh", [hourglass(), CUBE, solids.torus(30, 8), solids.ball(20, level=2)])
def test_libigl_agrees(mesh: solids.Mesh) -> None:
    survey = Survey(part(mesh))
    assert {tuple(p) for p in survey.get("skin").vertices[survey.get("pinched")]} == igl_pinched(mesh)


def test_blocks_corner_to_corner() -> None:
    (finding,) = said(solids.joined(CUBE, solids.box((40, 40, 40), (40, 40, 40), step=10)), 6)
    assert finding.measured == 1
    assert finding.place is not None
    assert finding.place.centre == pytest.approx((40, 40, 40))
    assert finding.place.reach == pytest.approx(0)


def test_the_ends_of_a_crowded_edge_are_left_to_rule_5() -> None:
    assert cases(solids.joined(CUBE, solids.box((40, 40, 40), (40, 40, 0), step=10)), 6) == []


def test_holes_that_touch_are_pinched() -> None:
    c = CUBE[0][CUBE[1]].mean(axis=1)
    holes = ((abs(c - [15, 15, 40]) < [5, 5, 0.1]).all(axis=1)) | ((abs(c - [25, 25, 40]) < [5, 5, 0.1]).all(axis=1))
    assert cases(without(CUBE, holes), 6) == ["pinched"]


def test_tips_are_drawn_apart() -> None:
    done = mended(hourglass(), "untangle", numbers=(1, 4, 5, 6, 7, 8))
    assert not done.after.findings
    shells = Survey(done.part).get("shells")
    assert shells.count == 2
    assert shells.closed.all()
    z = done.part.vertices[:, 2]
    tips = np.sort(z[(z > 39) & (z < 41)])
    assert tips == pytest.approx([39.998, 40.002], abs=1e-4)


def test_a_tip_on_a_flat_withdraws_and_the_flat_stays() -> None:
    block = solids.box((40, 40, 40), (-20, -20, -40), step=20)
    cone = solids.turned([(0, 0), (10, 20), (0, 20)], 24)
    done = mended(solids.joined(block, cone), "untangle", numbers=(1, 4, 5, 6, 7, 8))
    assert not done.after.findings
    near = done.part.vertices[np.linalg.norm(done.part.vertices, axis=1) < 0.1]
    assert sorted(near[:, 2].tolist()) == pytest.approx([0.0, 0.002], abs=1e-6)
