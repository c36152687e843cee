"""Rewrap and what it stands on: the field, the drawing of a skin, the patch, and the promise that other skin keeps its points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus.fault_009_skin_through_skin import make as pierced
from corpus.solids import Mesh, ball, box, flipped, joined, torus
from lint.measure import Survey
from lint.measure.displacement import in_zones
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.settings import Settings
from lint.shape.extract import _rings, band, draw
from lint.shape.field import balanced, field_of
from lint.shape.rewrap import pitch_for, rewrap_mesh
from lint.shape.sturdy import sturdy
from lint.shape.wrap import STRICT, crossing_pairs, tolerance_of, uncrossed
from lint.shape.zip import zipped
from lint.terms import Declined, Mended, Part, Source
from tests.scans import needs_scans, scan
from tests.sweep.judges import crossing_pairs as judged_crossings

RULES = {n: all_rules()[n] for n in (4, 5, 9, 10)}


def part_of(mesh: Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("x.stl"), "stl", "", 0), units="mm")


def survey_of(mesh: Mesh) -> Survey:
    return Survey(part_of(mesh))


def rewrapped(mesh: Mesh) -> Mended:
    return mend(part_of(mesh), RULES, {"rewrap": all_fixes()["rewrap"]}, Settings())


def distances(points: np.ndarray, mesh: Mesh) -> np.ndarray:
    import igl

    squared = igl.point_mesh_squared_distance(points, np.ascontiguousarray(mesh[0]), np.ascontiguousarray(mesh[1]))[0]
    return np.sqrt(np.maximum(np.asarray(squared).reshape(-1), 0))


def stabbed_ball() -> Mesh:
    """A ball with one point pulled through to beyond the other side, as a scan glitch does."""
    vertices, faces = ball(20, level=4)
    vertices = vertices.copy()
    vertices[np.argmax(vertices @ (0.3, 0.2, 0.9))] = (-8.0, -5.0, -21.0)
    return vertices, faces


def test_every_sort_of_cell_is_closed_by_its_rings() -> None:
    """Each side that the border crosses belongs to exactly one ring, and the ring runs on from it once."""
    rings = _rings()
    for sort in range(256):
        rows = rings.link[rings.begin[sort] : rings.begin[sort + 1]]
        assert sorted(rows[:, 2]) == sorted(rows[:, 3])
        assert len(set(rows[:, 2])) == len(rows)
        assert rings.size[sort].sum() == len(rows)


@pytest.mark.parametrize("seed", range(3))
def test_a_drawing_closes_whatever_the_inside_looks_like(seed: int) -> None:
    """Loose crossing triangles in a heap: no surface at all, yet what is drawn has two faces at every edge and no crossing."""
    points = np.random.default_rng(seed).random((90, 3)) * 10
    heap = joined((points, np.arange(90).reshape(30, 3)), ball(3, (5, 5, 5), level=2), flipped(ball(2, (6, 6, 5), level=2)))
    vertices, faces = rewrap_mesh(*heap, 0.7)
    survey = survey_of((vertices.astype(np.float32).astype(np.float64), faces))
    edges = survey.get("edges")
    assert edges.closed
    assert edges.agree.all()
    assert not len(survey.get("crossings").pairs)


@pytest.mark.parametrize(
    ("mesh", "pitch", "volume"),
    [(ball(20, level=4), 1.5, 4 / 3 * np.pi * 8000), (box((20, 21, 22)), 1.3, 9240), (torus(20, 6), 1.2, 14212)],
)
def test_the_new_skin_of_a_sound_solid_is_that_solid(mesh: Mesh, pitch: float, volume: float) -> None:
    vertices, faces = rewrap_mesh(*mesh, pitch)
    survey = survey_of((vertices, faces))
    assert survey.get("shells").count == 1
    assert survey.get("volume") == pytest.approx(volume, rel=0.01)
    assert np.quantile(distances(vertices, mesh), 0.99) < 1e-6
    assert distances(mesh[0], (vertices, faces)).max() < 0.3 * pitch


def test_a_cavity_is_kept_or_not_as_asked() -> None:
    mesh = joined(ball(20, level=3), flipped(ball(10, level=3)))
    kept = survey_of(rewrap_mesh(*mesh, 1.5)).get("shells")
    assert sorted(np.sign(kept.volume)) == [-1, 1]
    assert survey_of(rewrap_mesh(*mesh, 1.5, hollows=False)).get("shells").count == 1


def test_overlapping_solids_come_out_as_their_union_and_buried_skin_does_not_pull() -> None:
    one, two = ball(20, level=4), ball(20, (24, 0.1, 0.2), level=4)
    vertices, faces = rewrap_mesh(*joined(one, two), 1.5)
    survey = survey_of((vertices, faces))
    assert survey.get("shells").count == 1
    inside = (np.linalg.norm(vertices, axis=1) < 19) | (np.linalg.norm(vertices - (24, 0.1, 0.2), axis=1) < 19)
    assert not inside.any()
    assert survey.get("volume") == pytest.approx(2 * 33510.3 - 6970.15, rel=0.01)  # facts 6.15


@pytest.mark.parametrize("apart", [0.0, 1e-5, -1e-5])
def test_new_skin_round_solids_that_meet_along_an_edge_does_not_touch_itself(apart: float) -> None:
    """Two boxes edge to edge: both sheets of new skin would be set on the one edge, or cross there by less than the engine asks about."""
    turn = np.linalg.qr(np.random.default_rng(2).normal(size=(3, 3)))[0]
    vertices, faces = joined(box((20, 20, 20)), box((20, 20, 26), (20 + apart, 20, -3)))
    turn *= np.sign(np.linalg.det(turn))
    mesh = rewrap_mesh(vertices @ turn.T, faces, 1.3)
    assert survey_of(mesh).get("edges").closed
    assert not len(judged_crossings(mesh))


def test_a_hole_is_closed_by_a_film() -> None:
    vertices, faces = ball(20, level=4)
    top = vertices[:, 2] > 17
    open_ball = vertices, faces[~top[faces].any(axis=1)]
    assert not balanced(open_ball[1], len(vertices))
    survey = survey_of(rewrap_mesh(*open_ball, 1.5))
    assert survey.get("edges").closed
    assert survey.get("shells").count == 1


def test_nothing_inside_is_declined() -> None:
    with pytest.raises(Declined, match="encloses nothing"):
        rewrap_mesh(*flipped(ball(20, level=2)), 2.0)


def test_buried_skin_is_told_from_exposed() -> None:
    outer, inner = box((30, 30, 30)), box((10, 10, 10), (10, 10, 10))
    field = field_of(*joined(outer, inner), 1e9)
    assert field.share.tolist() == [1.0] * 12 + [0.0] * 12


@pytest.mark.parametrize("name", ["spike", "ball"])
def test_only_the_trouble_is_replaced_and_all_other_points_stay(name: str) -> None:
    mesh = (pierced().vertices, pierced().faces) if name == "spike" else stabbed_ball()
    mended = rewrapped(mesh)
    assert [s.outcome for s in mended.steps] == ["done"], mended.steps
    assert not mended.after.findings
    step = mended.steps[0]
    assert step.moved_max == pytest.approx(0, abs=1e-9)
    outside = ~in_zones(mesh[0], step.zones)
    assert outside.mean() > 0.4
    kept = {p.tobytes() for p in mended.part.vertices + 0.0}
    assert all(p.tobytes() in kept for p in mesh[0][outside] + 0.0)
    again = mend(mended.part, RULES, {"rewrap": all_fixes()["rewrap"]}, Settings(steps=("rewrap",)))
    assert [s.outcome for s in again.steps] == ["declined"]
    narrow = survey_of(((mended.part.vertices + 1000).astype(np.float32).astype(np.float64), mended.part.faces))
    assert narrow.get("edges").closed
    assert not len(narrow.get("crossings").pairs)


def test_a_sheet_keeps_its_open_rim() -> None:
    vertices, faces = stabbed_ball()
    rim = vertices[:, 0] > 15
    sheet = vertices, faces[~rim[faces].any(axis=1)]
    before = survey_of(sheet).get("rims")
    mended = rewrapped(sheet)
    assert [s.outcome for s in mended.steps] == ["done"], mended.steps
    after = survey_of((mended.part.vertices, mended.part.faces)).get("rims")
    assert [r.length for r in after] == pytest.approx([r.length for r in before])
    assert not any(f.rule == 9 for f in mended.after.findings)


def test_the_zip_uses_every_side_of_both_rims_once() -> None:
    outer, inner = (np.arange(n) * 2 * np.pi / n for n in (13, 20))
    a = np.stack((10 * np.cos(outer), 10 * np.sin(outer), 0 * outer), axis=1)
    b = np.stack((8 * np.cos(-inner + 1), 8 * np.sin(-inner + 1), 0 * inner), axis=1)
    faces = zipped(a, np.arange(13), b, np.arange(20), 13)
    points = np.vstack((a, b))
    assert len(faces) == 33
    corners = points[faces]
    area = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])[:, 2] / 2
    assert (area < 0).all() or (area > 0).all()
    ring = 0.5 * (13 * 100 * np.sin(2 * np.pi / 13) - 20 * 64 * np.sin(2 * np.pi / 20))
    assert abs(area.sum()) == pytest.approx(ring)


def test_points_too_close_for_a_file_become_one_and_the_skin_stays_closed() -> None:
    vertices, faces = ball(20, level=3)
    vertices = vertices.copy()
    one, two = faces[100, :2]
    vertices[one] = vertices[two] + (1e-5, 0, 0)
    fixed = np.ones(len(vertices), dtype=bool)
    fixed[one] = False
    points, fewer = sturdy(vertices, faces, 1e-3, fixed)
    assert len(fewer) == len(faces) - 2
    assert survey_of((points, fewer)).get("edges").closed
    assert one not in fewer


def test_the_cell_size_follows_size_nozzle_and_number_of_faces() -> None:
    assert pitch_for(6_000, 100, 0.4) == pytest.approx(0.4)
    assert 0.8 < pitch_for(200_000, 450, 0.4) < 1.3
    assert pitch_for(6.0, 3.0, None) == pytest.approx(np.sqrt(4.2 * 6 / 600_000), rel=0.01)


@needs_scans
@pytest.mark.parametrize(("name", "scale"), [("foot_crop_open.ply", 1), ("defect_self_intersect_a.obj", 100)])
def test_real_broken_scans_are_patched(name: str, scale: float) -> None:
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    mended = rewrapped((np.asarray(mesh.vertices, dtype=np.float64) * scale, np.asarray(mesh.faces, dtype=np.int64)))
    assert [s.outcome for s in mended.steps] == ["done"], mended.steps
    assert not any(f.rule == 9 for f in mended.after.findings)
    assert mended.steps[0].moved_max == pytest.approx(0, abs=1e-6)


@pytest.mark.parametrize("fault", ["folded", "pricked"])
def test_new_skin_is_freed_of_folds_and_of_the_finest_cuts(fault: str) -> None:
    """A fold of 5e-4 mm is cut by nothing, yet it lies on its neighbour as judged later; a prick of 1e-4 mm is below what is judged."""
    x, y = (c.ravel() for c in np.meshgrid(np.arange(6.0), np.arange(6.0)))
    flat = np.vstack((np.column_stack((x, y, np.zeros(36))), [[3.3, 3.6, 0.01], [3.2, 3.6, 0.3], [3.4, 3.6, 0.3]]))
    corner = np.array([6 * r + c for r in range(5) for c in range(5)])
    lower, upper = (corner, corner + 1, corner + 7), (corner, corner + 7, corner + 6)
    faces = np.vstack((np.column_stack(lower), np.column_stack(upper), [[36, 37, 38]]))
    moved, rounding = flat.copy(), tolerance_of(flat, True)
    point, at = (14, (3.4, 2.2, 5e-4)) if fault == "folded" else (36, (3.3, 3.6, -1e-4))
    moved[point] = at
    said = [len(crossing_pairs(moved, faces, deep)) > 0 for deep in (rounding, STRICT * rounding)]
    assert said == ([True, False] if fault == "folded" else [False, True])
    mended = uncrossed(moved, flat, faces, (moved != flat).any(axis=1), 1e-6, rounding)
    assert not any(len(crossing_pairs(mended, faces, deep)) for deep in (rounding, STRICT * rounding))


def test_a_gap_in_the_band_is_grown_shut() -> None:
    """A cell left out between others has all its corners known already: nothing is left to be asked of it."""
    vertices, faces = ball(10.0, level=3)
    field = field_of(vertices, faces, 1.0)
    cells, low = band(field, 1.0)
    whole = draw(field, cells, low, 1.0)
    middle = int(np.argmin(np.abs(np.linalg.norm(low + cells + 0.5 - 10.0, axis=1) - 10.0)))  # the field begins at the ball's low corner
    again = draw(field, np.delete(cells, middle, axis=0), low, 1.0)
    assert len(again.faces) == len(whole.faces)


def test_skin_left_out_because_it_lies_inside_is_told_and_is_a_zone() -> None:
    """A ball half sunk into an open dome: its inner half can be seen through the open rim, and goes."""
    from lint.shape import rewrap
    from lint.terms import Job
    from tests.test_seat import dome

    sunk = ball(9.0, (0.0, 30.0, 30.0), level=3)
    part = part_of(joined(dome(40.0, -20.0), sunk))
    shaped = rewrap.make(Job(part, Settings(), (), (), Survey(part), frozenset({"seat"}), False))
    inner = sunk[0][np.linalg.norm(sunk[0], axis=1) < 36.0]
    zones = [z for z in shaped.zones if "lies inside" in z.why]
    assert len(inner) > 50
    assert in_zones(inner, zones).mean() > 0.95
    assert "left out skin beyond the crossings that lies inside" in shaped.did
    outside = sunk[0][np.linalg.norm(sunk[0], axis=1) > 44.0]
    assert not in_zones(outside, zones).any()


def test_a_wrap_of_the_whole_part_says_where_it_does_not_keep_to_the_skin(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fin thinner than the cells bounds no solid that they could show: it was left out, and only a number in the report told of it."""
    from lint.shape import rewrap

    def none(job: object) -> None:
        raise Declined("no patch fits")

    monkeypatch.setattr(rewrap, "mended", none)
    mended = rewrapped(joined(stabbed_ball(), box((12.0, 0.02, 12.0), (14.0, 0.0, -6.0))))
    step = next(s for s in mended.steps if s.name == "rewrap")
    assert step.outcome == "done", step.why
    tip = np.array([[25.9, 0.01, 5.0], [25.0, 0.01, -2.0]])
    assert (distances(tip, (mended.part.vertices, mended.part.faces)) > 1).all()
    assert in_zones(tip, step.zones).all()
    assert step.moved_p99 is not None
    assert step.moved_p99 <= 0.1
    whole = np.array([[0.0, 20.0, 0.0], [0.0, -20.0, 0.0], [-20.0, 0.0, 0.0]])
    assert not in_zones(whole, step.zones).any()


@pytest.mark.parametrize(
    ("size", "at", "there_before", "goes"),
    [
        (1.5, 31.0, False, True),
        (1.5, 31.0, True, False),  # it came with the file: drop is asked about it, not rewrap
        (2.5, 31.0, False, False),  # it would print
        (1.5, 29.0, False, False),  # it crosses the part, which unite sees to
        (1.5, 5.0, False, False),  # it lies inside, and unite takes it in
    ],
)
def test_crumbs_that_the_patching_cuts_loose_are_left_out(size: float, at: float, there_before: bool, goes: bool) -> None:
    """Slivers of 3 and 5 mm3 between two crossings were left standing in the air beside an ear, and the part was refused for them."""
    from lint.shape.rewrap import _crumbs_left_out

    old, crumb = box((30, 30, 30)), box((size, size, size), (at, 10.3, 10.4))
    new = joined(old, crumb)
    part, zones = _crumbs_left_out(part_of(new if there_before else old), part_of(new))
    assert len(part.faces) == len(old[1]) + (0 if goes else len(crumb[1]))
    assert bool(zones) == goes
    if goes:
        assert in_zones(crumb[0], zones).all()


def test_a_piece_that_comes_out_inside_out_is_turned_and_not_left_broken() -> None:
    """With a crowded edge it had no inside; whole again it faced in, and the mending was taken back for that, so that no seat was found."""
    vertices, faces = flipped(stabbed_ball())
    at = int(np.argmin(np.linalg.norm(vertices[faces].mean(axis=1) - (0.0, 20.0, 0.0), axis=1)))
    tip = vertices[faces[at]].mean(axis=0) + np.array([0.0, 6.0, 0.0])
    fin = np.array([[faces[at][0], faces[at][1], len(vertices)]])
    rules = {n: all_rules()[n] for n in (4, 5, 8, 9, 10)}
    fixes = {name: all_fixes()[name] for name in ("turn", "rewrap")}
    mended = mend(part_of((np.vstack((vertices, tip)), np.vstack((faces, fin)))), rules, fixes, Settings())
    assert [(s.name, s.outcome) for s in mended.steps] == [("rewrap", "done"), ("turn", "done")]
    assert not mended.after.findings
    assert float(Survey(mended.part).get("volume")) > 0
