"""Rule 4: rims counted and measured, against libigl's boundary loops on real scans."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from tests.meshes import cases, part, said, soup, without
from tests.scans import needs_scans, scan

CUBE = solids.box((50, 50, 50), step=10)
OPEN_EDGES = {  # the manifest's count of open edges
    "ear_crop_open.ply": 89, "nose_crop_open.ply": 106, "foot_crop_open.ply": 23, "face_mask_open.obj": 36, "body_neutral.obj": 32,
    "hand_open_wrist_lowres.obj": 16, "bust_demosthenes_lowres.obj": 67, "residual_limb_skin.stl": 137,
    "angel_statue_photogrammetry.ply": 1413,
    "head_ears_multishell.obj": 718, "headform_medium.stl": 0, "hand_closed.obj": 0, "goat_head.obj": 0, "skull_lowres.obj": 0,
}  # fmt: skip


def middle(mesh: solids.Mesh) -> np.ndarray:
    return mesh[0][mesh[1]].mean(axis=1)


def test_a_closed_skin_has_no_rim_shared_or_not() -> None:
    assert cases(CUBE, 4) == []
    assert cases(soup(CUBE), 4) == []


def test_every_rim_is_one_finding_and_its_length_is_exact() -> None:
    c = middle(CUBE)
    holes = ((abs(c - [25, 25, 50]) < [5, 5, 0.1]).all(axis=1)) | ((abs(c - [25, 0, 25]) < [15, 0.1, 5]).all(axis=1))
    found = said(without(CUBE, holes), 4)
    assert [f.measured for f in found] == pytest.approx([80, 40])
    assert {f.unit for f in found} == {"mm"}
    assert found[1].place is not None
    assert found[1].place.centre == pytest.approx((25, 25, 50))
    assert found[1].place.reach == pytest.approx(50**0.5)


def test_holes_that_touch_in_a_point_are_one_rim() -> None:
    """Each face keeps to its own fan there, so the rim runs round both, as it will once the point is set apart."""
    c = middle(CUBE)
    holes = ((abs(c - [15, 15, 50]) < [5, 5, 0.1]).all(axis=1)) | ((abs(c - [25, 25, 50]) < [5, 5, 0.1]).all(axis=1))
    assert [f.measured for f in said(without(CUBE, holes), 4)] == pytest.approx([80])


def test_islands_that_touch_in_a_point_are_two_rims() -> None:
    c = middle(CUBE)
    islands = ((abs(c - [15, 15, 50]) < [5, 5, 0.1]).all(axis=1)) | ((abs(c - [25, 25, 50]) < [5, 5, 0.1]).all(axis=1))
    assert [f.measured for f in said(without(CUBE, ~islands), 4)] == pytest.approx([40, 40])


def test_units_unknown_are_not_called_mm() -> None:
    (finding,) = said(without(CUBE, np.arange(len(CUBE[1])) == 0), 4, units=None)
    assert finding.unit == "file units"
    assert "mm" not in finding.message


def test_hundreds_of_holes_are_told_together() -> None:
    vertices, faces = solids.box((100, 100, 100), step=5)
    c = middle((vertices, faces))
    cell = (c // 5).astype(int)
    holes = (abs(c[:, 2] - 100) < 0.1) & (cell[:, 0] % 2 == 1) & (cell[:, 1] % 2 == 1) & (cell[:, 0] < 19) & (cell[:, 1] < 19)
    holes |= (abs(c[:, 0] - 100) < 0.1) & (cell[:, 1] % 2 == 1) & (cell[:, 2] % 2 == 1) & (cell[:, 1] < 19) & (cell[:, 2] < 19)
    found = said(without((vertices, faces), holes), 4)
    assert len(found) == 101
    many = next(f for f in found if f.case == "many")
    assert many.measured == pytest.approx(62 * 20)
    assert sum(f.measured for f in found) == pytest.approx(162 * 20)


@needs_scans
@pytest.mark.parametrize("name", OPEN_EDGES)
def test_real_scans_against_the_manifest_and_libigl(name: str) -> None:
    import igl
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    survey = Survey(part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))))
    edges, rims = survey.get("edges"), survey.get("rims")
    assert len(edges.open) == OPEN_EDGES[name]
    assert sum(len(r.faces) for r in rims) == OPEN_EDGES[name]
    if edges.agree.all() and not len(edges.crowded) and not len(survey.get("pinched")):
        assert len(rims) == len([loop for loop in igl.boundary_loop_all(survey.get("skin").faces) if len(loop)])
        assert all(r.closed for r in rims)
