"""Rule 3 and tidy: each kind counted exactly, and nothing opened by taking it out."""

from __future__ import annotations

import numpy as np
import pytest

import corpus.fault_003_worthless_faces as fault
from corpus import solids
from lint.measure import Survey
from lint.measure.displacement import in_zones
from lint.shape.needles import turn_needles
from tests.meshes import cases, mended, part, said
from tests.scans import needs_scans, scan

CUBE = solids.box((60, 60, 60), step=10)


def counts(mesh: solids.Mesh) -> dict[str, int]:
    return {f.case: int(f.measured) for f in said(mesh, 3)}


def added(*faces: np.ndarray) -> solids.Mesh:
    return CUBE[0], np.vstack((CUBE[1], *faces))


def volume(mesh: solids.Mesh) -> float:
    return float(Survey(part(mesh)).get("volume"))


def test_a_block_has_none() -> None:
    assert cases(CUBE, 3) == []


def needle(height: float) -> solids.Mesh:
    """A T-joint: the block's face (a, b, c) split at the middle of a-b, the gap to its neighbour filled by a needle."""
    vertices, faces = CUBE
    a, b, c = faces[0]
    middle = (vertices[a] + vertices[b]) / 2
    inward = vertices[c] - middle
    middle = middle + height * inward / np.linalg.norm(inward)
    m = len(vertices)
    split = np.array([[a, m, c], [m, b, c], [a, b, m]])
    return np.vstack((vertices, middle)), np.vstack((faces[1:], split))


@pytest.mark.parametrize(("height", "spoken"), [(0.0, ["needle"]), (0.00015, ["needle"]), (0.0004, []), (0.1, [])])
def test_needles_either_side_of_the_limit(height: float, spoken: list[str]) -> None:
    assert cases(needle(height), 3) == spoken


def test_a_needle_is_turned_and_nothing_opens() -> None:
    done = mended(needle(0.0), "tidy")
    assert not done.after.findings
    assert Survey(done.part).get("edges").closed
    assert float(Survey(done.part).get("volume")) == pytest.approx(60**3, rel=1e-12)


def test_a_chain_of_needles_is_turned_layer_by_layer() -> None:
    """A face cut into a fan along one edge: five needles that lie on one another's long sides."""
    vertices, faces = CUBE
    a, b, c = faces[0]
    steps = np.linspace(0, 1, 7)[1:-1]
    extra = vertices[a] + steps[:, None] * (vertices[b] - vertices[a])
    m = len(vertices) + np.arange(5)
    fan = [[a, m[0], c], *[[m[k], m[k + 1], c] for k in range(4)], [m[4], b, c]]
    slivers = [[a, b, m[4]], *[[a, m[k + 1], m[k]] for k in range(3, -1, -1)]]
    mesh = np.vstack((vertices, extra)), np.vstack((faces[1:], fan, slivers))
    assert counts(mesh) == {"needle": 5}
    assert Survey(part(mesh)).get("edges").closed
    done = mended(mesh, "tidy")
    assert not [f for f in done.after.findings if f.rule != 13]
    assert float(Survey(done.part).get("volume")) == pytest.approx(60**3, rel=1e-9)


def test_copies_go_and_one_stays() -> None:
    mesh = added(CUBE[1][:4], CUBE[1][:4], CUBE[1][7:8])
    assert counts(mesh) == {"copy": 9}
    done = mended(mesh, "tidy")
    assert not done.after.findings
    assert len(done.part.faces) == len(CUBE[1])


def test_a_folded_copy_on_a_closed_skin_goes_and_the_skin_stays() -> None:
    done = mended(added(CUBE[1][:5][:, ::-1]), "tidy")
    assert not done.after.findings
    assert float(Survey(done.part).get("volume")) == pytest.approx(60**3, rel=1e-12)


def test_a_whole_region_folded_onto_a_closed_skin() -> None:
    """Inner faces of the region have no other neighbour to go by: the region is judged as one."""
    top = (CUBE[0][CUBE[1]][:, :, 2] > 59).all(axis=1)
    done = mended(added(CUBE[1][top][:, ::-1]), "tidy")
    assert not done.after.findings
    assert float(Survey(done.part).get("volume")) == pytest.approx(60**3, rel=1e-12)


def test_a_folded_fin_goes() -> None:
    a, b = CUBE[1][0][:2]
    vertices = np.vstack((CUBE[0], CUBE[0][a] + [0, 0, 90.0]))
    fin = np.array([[a, b, len(CUBE[0])], [b, a, len(CUBE[0])]])
    done = mended((vertices, np.vstack((CUBE[1], fin))), "tidy")
    assert not done.after.findings
    assert len(done.part.faces) == len(CUBE[1])


def test_two_blocks_face_to_face_become_one() -> None:
    """The wall between them is a folded pair with a closed skin on both sides: it holds nothing apart."""
    one, other = solids.box((20, 20, 20), step=10), solids.box((20, 20, 20), (20, 0, 0), step=10)
    done = mended(solids.joined(one, other), "tidy")
    assert float(Survey(done.part).get("volume")) == pytest.approx(16000, rel=1e-12)
    assert Survey(done.part).get("shells").count == 1


def test_a_sheet_with_two_faces_is_left_alone() -> None:
    top = (CUBE[0][CUBE[1]][:, :, 2] > 59).all(axis=1)
    both = CUBE[0], np.vstack((CUBE[1][top], CUBE[1][top][:, ::-1]))
    assert counts(both) == {"folded": 2 * int(top.sum())}
    done = mended(both, "tidy")
    assert [s.outcome for s in done.steps] == ["declined"]
    assert len(done.part.faces) == len(both[1])


def test_the_specimen_is_left_with_its_block_alone() -> None:
    specimen = fault.make()
    done = mended((specimen.vertices, specimen.faces), "tidy")
    assert not done.after.findings
    assert float(Survey(done.part).get("volume")) == pytest.approx(60**3, rel=1e-9)


@needs_scans
def test_a_made_part_with_folded_faces() -> None:
    """The manifest counts 8 duplicate faces (as sets of points) and 9 non-manifold edges: tidy alone untangles them."""
    import trimesh

    mesh = trimesh.load(scan("defect_neck_shoulder.stl"), process=False, force="mesh")
    subject = part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)))
    survey = Survey(subject)
    assert len(survey.get("twins").faces) == 16
    assert len(survey.get("edges").crowded) == 9
    assert len(survey.get("edges").open) == 18
    done = mended(subject, "tidy", numbers=(1, 3, 4, 5))
    after = Survey(done.part)
    assert len(after.get("edges").crowded) == 0
    assert len(after.get("edges").open) <= 18


@pytest.mark.parametrize("tip", [0.003, 0.05])
def test_a_needle_is_not_turned_where_its_new_edge_would_cut_through_other_skin(tip: float) -> None:
    """A pyramid stands with its point close over the face beside the needle, whose turning would raise that face by 0.006 mm there."""
    points = np.array([[0, 0, 0], [10, 0, 0], [5, 0, 0.01], [5, -5, 0], [5, -2, tip], [4, -2, 3], [6, -2, 3], [5, -3, 3]])
    faces = np.array([[0, 1, 2], [1, 0, 3], [4, 5, 6], [4, 6, 7], [4, 7, 5], [5, 7, 6]])
    layer = turn_needles(part((points, faces)), 0.05)
    assert layer.count == (0 if tip < 0.006 else 1)
    assert bool((layer.part.faces != faces).any()) == (tip > 0.006)


@pytest.mark.parametrize("held", [False, True])
def test_a_needle_that_hangs_far_from_all_other_skin_goes_and_is_told(held: bool) -> None:
    """It hangs alone or by its short side, and no skin that stays lies near its far end."""
    block = solids.box((20, 20, 20))
    base = len(block[0])
    points = np.vstack((block[0], [[20, 20, 32], [20, 20.0001, 24], [20, 20, 20.0005]]))
    corner = int(np.flatnonzero((block[0] == [20, 20, 20]).all(axis=1))[0])
    needle = [base, base + 1, corner if held else base + 2]
    done = mended((points, np.vstack((block[1], [needle]))), "tidy", numbers=(1, 3))
    assert not done.broke
    assert [s.outcome for s in done.steps] == ["done"]
    assert len(done.part.faces) == len(block[1])
    assert [z.why for z in done.steps[0].zones] == ["needles that hung by one side or none were here"]


def doubled(mesh: solids.Mesh, point: int, aside: np.ndarray) -> solids.Mesh:
    """A mesh with one point made two, `aside` mm apart, and the gap between them filled by two needles."""
    points, faces = mesh
    star = [np.roll(f, -int(np.flatnonzero(f == point)[0])) for f in faces if point in f]
    ring = [int(star[0][1])]
    while len(ring) < len(star):
        ring.append(next(int(f[2]) for f in star if f[1] == ring[-1]))
    half, new = ring[: len(ring) // 2 + 1], len(points)
    faces = np.array([np.where(f == point, new, f) if point in f and {*f} - {point} <= {*half} else f for f in faces])
    return np.vstack((points, points[point] + aside)), np.vstack((faces, [[point, new, half[0]], [new, point, half[-1]]]))


@pytest.mark.parametrize("aside", [[1e-5, 0, 0], [0, -3e-5, 0], [2e-5, 1e-5, 0]])
def test_two_points_next_to_one_another_become_one(aside: list[float]) -> None:
    """The needles between them have long sides that are no use to turn: they are drawn shut."""
    middle = int(np.flatnonzero((CUBE[0] == [30, 30, 60]).all(axis=1))[0])
    subject = doubled(CUBE, middle, np.array(aside))
    assert counts(subject) == {"needle": 2}
    assert len(Survey(part(subject)).get("edges").open) == 0
    done = mended(subject, "tidy", numbers=(1, 3, 4, 5))
    assert counts((done.part.vertices, done.part.faces)) == {}
    assert len(done.part.faces) == len(CUBE[1])
    assert len(Survey(done.part).get("edges").open) == 0
    assert volume((done.part.vertices, done.part.faces)) == pytest.approx(60**3, rel=1e-6)
    assert "drew 2 needles shut" in done.steps[0].why


def test_points_of_a_rim_are_not_drawn_away() -> None:
    """A sheet with its middle point doubled: the rim keeps its very points."""
    top = (CUBE[0][:, 2] == 60)[CUBE[1]].all(axis=1)
    middle = int(np.flatnonzero((CUBE[0] == [30, 30, 60]).all(axis=1))[0])
    corner = int(np.flatnonzero((CUBE[0] == [10, 10, 60]).all(axis=1))[0])
    for point in (middle, corner):
        done = mended(doubled((CUBE[0], CUBE[1][top]), point, np.array([1e-5, 0, 0])), "tidy", numbers=(1, 3, 5))
        rim = Survey(done.part).get("rims")
        assert len(rim) == 1
        assert len(rim[0].points) == 24
        assert len(done.part.faces) == top.sum()


@pytest.mark.parametrize("scale", [1.0, 0.001])
def test_zones_of_folded_faces_lie_close_about_them_in_a_file_of_any_units(scale: float) -> None:
    """Folded pairs hang on a ball at six far places, and reach out from it: the zone of one is not to cover the whole."""
    points, faces = solids.ball(50.0, level=4)
    out, fins = [], []
    for axis in (*np.eye(3), *-np.eye(3)):
        face = faces[int(np.argmax(points[faces].mean(axis=1) @ axis))]
        fins += [[face[0], face[1], len(points) + len(out)], [face[1], face[0], len(points) + len(out)]]
        out.append(axis * 56.0)
    subject = np.vstack((points, out)) * scale, np.vstack((faces, fins))
    done = mended(part(subject, units="mm" if scale == 1.0 else None), "tidy", numbers=(1, 3))
    assert [s.outcome for s in done.steps] == ["done"]
    assert len(done.part.faces) == len(faces)
    told = in_zones(points * scale, done.steps[0].zones)
    near = np.abs(points).max(axis=1) > 44.0
    assert not told[~near].any()
    assert in_zones(np.array(out) * scale, done.steps[0].zones).all()
