"""Rule 9: crossings of exactly known length, what must stay clean, and another library's answer on the same pairs."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path

import numpy as np
import pytest

from corpus.fault_009_skin_through_skin import make as pierced
from corpus.solids import Mesh, ball, box, flipped, joined, torus, turned
from lint.measure import Survey
from lint.measure.boxes import overlapping
from lint.measure.crossings import Crossings, shared_area
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source
from tests.scans import needs_scans, scan
from tests.tangles import stepped

RULE = all_rules()[9]


def part_of(mesh: Mesh, units: str | None = "mm") -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("x.stl"), "stl", "", 0), units=units)


def crossings_of(mesh: Mesh, units: str | None = "mm") -> Crossings:
    found: Crossings = Survey(part_of(mesh, units)).get("crossings")
    return found


def said(mesh: Mesh, units: str | None = "mm") -> list[Finding]:
    return list(examine(part_of(mesh, units), {9: RULE}, Settings()).findings)


def sheet(corner: tuple[float, float, float], u: tuple[float, float, float], v: tuple[float, float, float]) -> Mesh:
    """A parallelogram of two faces."""
    a, b, c = np.array(corner), np.array(u), np.array(v)
    return np.array([a, a + b, a + b + c, a + c]), np.array([[0, 1, 2], [0, 2, 3]])


SOUND: dict[str, Mesh] = {
    "block": box((30, 20, 10), step=3),
    "ball": ball(20, level=4),
    "ring": torus(30, 8, 64, 32),
    "hollow ball": joined(ball(20, level=3), flipped(ball(18, level=3))),
    "sharp cone": turned([(15, 0), (0, 60), (0, 0)], 64),
    "two blocks apart": joined(box((10, 10, 10)), box((10, 10, 10), (10.01, 0, 0))),
    "open sheet folded along a line": (
        np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0], [0, 1, 10], [10, 1, 10.0]]),
        np.array([[0, 1, 2], [0, 2, 3], [0, 4, 5], [0, 5, 1]]),
    ),
}


@pytest.mark.parametrize("name", SOUND)
def test_sound_skin_is_clean_however_it_lies(name: str) -> None:
    vertices, faces = SOUND[name]
    turn = np.linalg.qr(np.random.default_rng(3).normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    for points in (vertices, vertices @ turn.T + (1000, -1000, 500), (vertices @ turn.T + 1000).astype(np.float32).astype(np.float64)):
        assert not len(crossings_of((points, faces)).pairs)


@pytest.mark.parametrize(("low", "found"), [(-0.0005, False), (-0.0015, True), (-4.0, True), (0.002, False)])
def test_a_sheet_through_a_sheet_counts_from_a_thousandth_deep(low: float, found: bool) -> None:
    floor = sheet((-20, -20, 0), (43, 0, 0), (0, 41, 0))
    blade = sheet((-7, 0.3, low), (13, 0, 0), (0, 0, 11))
    got = said(joined(floor, blade))
    assert bool(got) == found
    if found:
        assert [f.case for f in got] == ["open shell"]
        assert got[0].measured == pytest.approx(13.0, abs=1e-9)


def test_without_units_the_depth_is_judged_by_the_size() -> None:
    floor = sheet((-20, -20, 0), (43, 0, 0), (0, 41, 0))
    blade = sheet((-7, 0.3, -0.0006), (13, 0, 0), (0, 0, 11))
    assert said(joined(floor, blade), units=None)[0].unit == "file units"
    assert crossings_of(joined(floor, blade), units=None).tolerance == pytest.approx(5e-6 * np.sqrt(43**2 + 41**2 + 11**2))


def test_the_hole_of_a_spike_has_the_length_that_geometry_gives() -> None:
    specimen = pierced()
    got = said((specimen.vertices, specimen.faces))
    assert len(got) == 1
    assert got[0].measured == pytest.approx(specimen.expect[0].measured, rel=1e-9)
    assert got[0].place is not None
    assert got[0].place.centre[2] == pytest.approx(0, abs=1e-9)
    assert got[0].place.reach < 3.5
    assert got[0].fix == "rewrap"


def test_faces_that_share_a_point_may_cross_beyond_it() -> None:
    """A fan folded so that one blade passes through another, sharing the tip with it."""
    points = np.array([[0, 0, 0], [10, -5, 0], [10, 5, 0], [8, 0, -3], [8, 0, 3.0]])
    faces = np.array([[0, 1, 2], [0, 3, 4]])
    got = crossings_of((points, faces))
    assert len(got.pairs) == 1
    assert got.amount[0] == pytest.approx(8.0)
    apart = points.copy()
    apart[3:, 1] += 9  # the second blade now stands beside the first and only touches it in the tip
    assert not len(crossings_of((apart, faces)).pairs)


def test_a_neighbour_folded_back_onto_its_face_lies_double() -> None:
    points = np.array([[0, 0, 0], [10, 0, 0], [5, 8, 0], [5, 6, 0.0]])
    folded = np.array([[0, 1, 2], [1, 0, 3]])
    got = said((points, folded))
    assert [(f.case, f.unit) for f in got] == [("double", "mm2")]
    assert got[0].measured == pytest.approx(30.0)
    points[3] = (5, -6, 0)
    assert not said((points, folded))


def test_skin_lying_on_skin_is_told_with_its_area() -> None:
    one, two = sheet((0, 0, 0), (10, 0, 0), (0, 10, 0)), sheet((4, 3, 0), (20, 0, 0), (0, 5, 0))
    got = said(joined(one, two))
    assert [f.case for f in got] == ["double"]
    assert got[0].measured == pytest.approx(6 * 5)
    touching = sheet((10, 2, 0), (20, 0, 0), (0, 5, 0))
    assert not said(joined(one, touching))


def test_shared_area_agrees_with_a_polygon_clip_by_hand() -> None:
    rng = np.random.default_rng(11)
    one, two = rng.random((200, 3, 2)), rng.random((200, 3, 2))
    lifted = [np.concatenate((t, np.zeros((200, 3, 1))), axis=2) for t in (one, two)]
    cross = np.cross(lifted[0][:, 1] - lifted[0][:, 0], lifted[0][:, 2] - lifted[0][:, 0])
    flip = cross[:, 2] < 0
    lifted[0][flip] = lifted[0][flip][:, ::-1]
    _, _, area = shared_area(lifted[0], lifted[1], np.tile((0.0, 0.0, 1.0), (200, 1)))
    assert area == pytest.approx([_clip_area(a, b) for a, b in zip(lifted[0][:, :, :2], lifted[1][:, :, :2], strict=True)], abs=1e-12)


def _clip_area(one: np.ndarray, two: np.ndarray) -> float:
    """Sutherland and Hodgman 1974: cut one polygon by each side of the other in turn."""
    if np.linalg.det(two[1:] - two[0]) < 0:
        two = two[::-1]
    polygon = list(one)
    for a, b in zip(two, np.roll(two, -1, axis=0), strict=True):
        side = [float((b - a)[0] * (p - a)[1] - (b - a)[1] * (p - a)[0]) for p in polygon]
        cut: list[np.ndarray] = []
        for k, p in enumerate(polygon):
            q, s, t = polygon[(k + 1) % len(polygon)], side[k], side[(k + 1) % len(polygon)]
            if s >= 0:
                cut.append(p)
            if s * t < 0:
                cut.append(p + (q - p) * s / (s - t))
        polygon = cut
        if not polygon:
            return 0.0
    x, y = np.array(polygon).T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def test_the_tree_of_boxes_misses_no_pair() -> None:
    rng = np.random.default_rng(5)
    for count in (1, 2, 3, 257, 400):
        low = rng.random((count, 3)) * 10 + 1000
        high = low + rng.random((count, 3)) ** 4 * 3
        chunks = list(overlapping(low, high))
        got = [tuple(sorted(p)) for i, j in chunks for p in zip(i.tolist(), j.tolist(), strict=True)]
        want = {(a, b) for a, b in combinations(range(count), 2) if (low[a] <= high[b]).all() and (low[b] <= high[a]).all()}
        assert len(got) == len(set(got))
        assert want <= set(got)
        assert len(got) <= len(want) + 3  # rounding to 32 bits may let in a near miss


def test_random_triangles_agree_with_another_library() -> None:
    """Triangle against triangle as libigl's tri_tri_intersection_test_3d has it (Guigue, Devillers 2003), on loose triangles."""
    import igl

    points = np.random.default_rng(8).random((180, 3)) * 10
    faces = np.arange(180).reshape(60, 3)
    corners = points[faces]
    want = set()
    for i, j in combinations(range(60), 2):
        if igl.tri_tri_intersection_test_3d(*[p[None] for p in (*corners[i], *corners[j])])[0]:
            want.add((i, j))
    got = crossings_of((points, faces))
    pairs = {tuple(p) for p in got.pairs.tolist()}
    assert len(want) > 100
    assert pairs <= want
    for i, j in want - pairs:  # only those that graze each other less than the tolerance
        direction = corners[i].mean(axis=0) - corners[j].mean(axis=0)
        nudged = corners[i] + 2e-3 * direction / np.linalg.norm(direction)
        assert not igl.tri_tri_intersection_test_3d(*[p[None] for p in (*nudged, *corners[j])])[0]


@needs_scans
@pytest.mark.parametrize(
    ("name", "scale", "pairs"),
    [  # pairs as counted at tolerance zero by another program; ours leave out those shallower than a thousandth
        ("headform_medium.stl", 1, 0), ("ear_left.stl", 1, 0), ("goat_head.obj", 15, 0), ("ear_crop_open.ply", 1, 0),
        ("head_average_metres.ply", 1000, 0), ("foot_crop_open.ply", 1, 13), ("mask_hannya.ply", 1, 170),
        ("defect_cheekbone_debris_shell.stl", 1, 3), ("body_neutral.obj", 1000, 326),
    ],
)  # fmt: skip
def test_real_meshes_are_clean_or_not_as_counted_elsewhere(name: str, scale: float, pairs: int) -> None:
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    got = crossings_of((np.asarray(mesh.vertices, dtype=np.float64) * scale, np.asarray(mesh.faces, dtype=np.int64)))
    assert 0.85 * pairs - 1 <= len(got.pairs) <= pairs


def ridge(height: float, lean: float, cut: float) -> Mesh:
    """Two rows of faces that meet in an edge along x at z = 0; the second rises to `height`, the first to 3 mm, `lean` apart in y."""
    x = np.arange(-6.0, 6.1, cut)
    rows = np.array([(a, y, z) for y, z in ((-lean, 3.0), (0.0, 0.0), (lean, height)) for a in x])
    n = len(x)
    cells = [(r * n + k, r * n + k + 1, (r + 1) * n + k + 1, (r + 1) * n + k) for r in (0, 1) for k in range(n - 1)]
    return rows, np.array([t for a, b, c, d in cells for t in ((a, b, c), (a, c, d))])


def plate(cut: float) -> Mesh:
    """A level plate of 20 by 8 mm at z = 0, cut into cells with an edge along y = 0."""
    x, y = np.arange(-10.0, 10.1, cut), np.arange(-4.0, 4.1, 2.0)
    points = np.array([(a, b, 0.0) for b in y for a in x])
    n = len(x)
    cells = [(r * n + k, r * n + k + 1, (r + 1) * n + k + 1, (r + 1) * n + k) for r in range(len(y) - 1) for k in range(n - 1)]
    return points, np.array([t for a, b, c, d in cells for t in ((a, b, c), (a, c, d))])


@pytest.mark.parametrize("shift", [0.0, 0.7], ids=["edge on edge", "edge on face"])
@pytest.mark.parametrize(("height", "through"), [(-3.0, True), (3.0, False), (-0.004, True)])
@pytest.mark.parametrize("cut", [1.0, 0.75])
def test_skin_through_skin_along_an_edge(shift: float, height: float, through: bool, cut: float) -> None:
    """A bent strip whose bend lies on a plate: it goes through when its second half is below, and only touches when it is above.

    Every face then touches and none reaches through another, so the crossing is 12 mm long however the two are cut.
    """
    mesh = joined(ridge(height, 1.5, cut), (plate(2.5)[0] + (0, shift, 0), plate(2.5)[1]))
    turn = np.linalg.qr(np.random.default_rng(8).normal(size=(3, 3)))[0]
    for points in (mesh[0], mesh[0] @ (turn * np.sign(np.linalg.det(turn))).T):
        got = crossings_of((points, mesh[1]))
        assert bool(len(got.pairs)) == through
        assert got.amount.sum() == pytest.approx(12.0 if through else 0.0, abs=1e-6)


@pytest.mark.parametrize("seed", range(6))
def test_crossings_do_not_depend_on_which_face_is_asked_first(seed: int) -> None:
    """Faces renumbered, their corners taken in turn and the part turned: as many crossings, as deep and as long."""
    points, faces = stepped(seed)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(faces))
    others = np.stack([np.roll(face, k) for face, k in zip(faces[order], rng.integers(0, 3, len(faces)), strict=True)])
    upended = points[:, [1, 2, 0]] * (1, -1, -1)  # another order along the curve, and not a digit lost
    want, got = crossings_of((points, faces)), crossings_of((upended, others))

    assert len(got.pairs) == len(want.pairs) > 100
    for flat in (True, False):  # a crossing along an edge is told of one of its two faces, so numbers say nothing
        for one, two in ((want.depth, got.depth), (want.amount, got.amount)):
            np.testing.assert_allclose(np.sort(two[got.flat == flat]), np.sort(one[want.flat == flat]), atol=1e-6)
