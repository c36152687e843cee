"""Rule 5 and untangle: blocks on an edge, flaps, inner walls, and what must be left to a hand."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from tests.meshes import cases, mended, part, said
from tests.scans import needs_scans, scan

CUBE = solids.box((40, 40, 40), step=10)
SECOND = solids.box((40, 40, 40), (40, 40, 0), step=10)
ON_EDGE = solids.joined(CUBE, SECOND)


def flap(*corners: list[float]) -> solids.Mesh:
    return np.array(corners, dtype=float), np.array([[0, 1, 2]])


FLAP = flap([0, 0, 40], [0, 10, 40], [-8, 5, 48])


def test_sound_solids_have_none() -> None:
    assert cases(CUBE, 5) == []
    assert cases(solids.torus(30, 8), 5) == []


def test_blocks_on_an_edge() -> None:
    (finding,) = said(ON_EDGE, 5)
    assert finding.measured == pytest.approx(40)
    assert "4 faces" in finding.message
    assert finding.place is not None
    assert finding.place.centre == pytest.approx((40, 40, 20))


def test_two_lines_are_two_findings() -> None:
    third = solids.box((40, 40, 40), (0, 40, 40), step=10)
    found = said(solids.joined(CUBE, third, solids.box((40, 40, 40), (-200, 0, 0)), solids.box((40, 40, 40), (-160, 40, 0))), 5)
    assert [f.measured for f in found] == pytest.approx([40, 40])


def test_blocks_on_an_edge_are_set_apart_by_a_hair() -> None:
    done = mended(ON_EDGE, "untangle")
    (step,) = done.steps
    assert step.outcome == "done"
    assert 0 < step.moved_max <= 0.002 + 1e-9  # type: ignore[operator]
    shells = Survey(done.part).get("shells")
    assert shells.count == 2
    assert shells.closed.all()
    assert shells.volume == pytest.approx(64000, rel=1e-4)


def test_the_hair_survives_32_bits_a_metre_away() -> None:
    far = ON_EDGE[0] + [1000.0, -1000.0, 0.0], ON_EDGE[1]
    done = mended(far, "untangle")
    rounded = done.part.with_mesh(done.part.vertices.astype(np.float32).astype(np.float64), done.part.faces)
    assert cases(rounded, 5) == []
    assert cases(rounded, 6) == []


def test_outside_judges_agree() -> None:
    import igl
    import manifold3d

    faces = Survey(part(ON_EDGE)).get("skin").faces
    assert not np.all(igl.is_edge_manifold(faces)[0] if isinstance(igl.is_edge_manifold(faces), tuple) else igl.is_edge_manifold(faces))
    skin = Survey(mended(ON_EDGE, "untangle").part).get("skin")
    solid = manifold3d.Manifold(manifold3d.Mesh64(skin.vertices.copy(), skin.faces.astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    assert len(solid.decompose()) == 2


def test_a_flap_is_dropped_and_nothing_else_moves() -> None:
    done = mended(solids.joined(CUBE, FLAP), "untangle")
    assert not done.after.findings
    assert len(done.part.faces) == len(CUBE[1])
    assert done.steps[0].moved_max == pytest.approx(0, abs=1e-6)
    assert done.steps[0].zones


def test_two_flaps_on_one_edge_go_together() -> None:
    other = flap([0, 0, 40], [0, 10, 40], [8, 5, 48])
    done = mended(solids.joined(CUBE, FLAP, other), "untangle")
    assert not done.after.findings
    assert len(done.part.faces) == len(CUBE[1])


def test_a_flap_at_a_rim_goes_and_the_skin_beside_it_stays() -> None:
    """An open box, a flap on an inner edge: what is left has the rim it had."""
    open_box = CUBE[0], CUBE[1][~(CUBE[0][CUBE[1]][:, :, 0] > 39.9).all(axis=1)]
    rim = float(Survey(part(open_box)).get("rims")[0].length)
    done = mended(solids.joined(open_box, FLAP), "untangle", numbers=(1, 4, 5, 6))
    assert [f.measured for f in done.after.findings] == pytest.approx([rim])
    assert len(done.part.faces) == len(open_box[1])


def test_a_large_sheet_is_not_taken_for_a_flap() -> None:
    sheet = np.array([[0, 0, 40], [0, 10, 40], [-300, 5, 340.0]]), np.array([[0, 1, 2]])
    done = mended(solids.joined(CUBE, sheet), "untangle", numbers=(1, 5))
    assert [s.outcome for s in done.steps] == ["declined"]
    assert len(done.part.faces) == len(CUBE[1]) + 1


def test_an_inner_wall_is_dropped() -> None:
    """A wall across a block at half height: three faces meet all round it."""
    lower, upper = solids.box((40, 40, 20), step=10), solids.box((40, 40, 20), (0, 0, 20), step=10)
    lid = (upper[0][upper[1]][:, :, 2] < 20.1).all(axis=1)
    mesh = solids.joined(lower, (upper[0], upper[1][~lid]))
    assert cases(mesh, 5) == ["crowded"]
    done = mended(mesh, "untangle")
    assert not done.after.findings
    assert float(Survey(done.part).get("volume")) == pytest.approx(64000, rel=1e-9)


def test_four_blocks_round_one_edge() -> None:
    """Two pairs of opposite blocks at two heights, meeting in lines and points."""
    blocks = [solids.box((20, 20, 20), low, step=10) for low in ((0, 0, 0), (20, 20, 0), (20, 0, 20), (0, 20, 20))]
    done = mended(solids.joined(*blocks), "untangle", numbers=(1, 4, 5, 6, 7, 8))
    assert not done.after.findings
    assert Survey(done.part).get("shells").volume == pytest.approx(8000, rel=1e-3)


@needs_scans
@pytest.mark.parametrize(("name", "crowded"), [("angel_statue_photogrammetry.ply", 41), ("head_ears_multishell.obj", 104)])
def test_real_scans(name: str, crowded: int) -> None:
    """Counts from the manifest; all of them are lashes and crumbs, and untangling opens no new edge."""
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    subject = part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)))
    before = Survey(subject).get("edges")
    assert len(before.crowded) == crowded
    done = mended(subject, "untangle", "turn", numbers=(1, 5, 6, 7))
    after = Survey(done.part).get("edges")
    assert len(after.crowded) == 0
    assert len(after.open) < len(before.open)
