"""The compiled loops say what the plain versions, and other libraries, say."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from corpus import solids
from lint import loops
from lint.measure import Survey, columns, crossings, cups
from lint.measure.boxes import overlapping
from lint.measure.columns import Grid, grid_around
from lint.measure.edges import _in_order, _table
from lint.measure.nearest import distance_to_faces
from lint.measure.roughness import point_normals, quadric_fit, rings
from lint.measure.surface import longest_squares, weld_exact
from lint.shape.crossing import any_crosses, crossing_faces
from tests.meshes import part

pytestmark = pytest.mark.skipif(not loops.there(), reason="the compiled loops are not installed: no compiler, or BUCKWRIGHT_LOOPS=plain")
Mesh = tuple[np.ndarray, np.ndarray]


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setenv("BUCKWRIGHT_LOOPS", "plain")
    return monkeypatch


def tangle(seed: int, faces: int = 400, size: float = 6.0) -> Mesh:
    """Triangles strewn about a box, many of them through each other, some lying in common planes, some slivers, some as good as lines."""
    rng = np.random.default_rng(seed)
    corners = rng.uniform(0, 40, (faces, 1, 3)) + rng.normal(0, size, (faces, 3, 3))
    flat = rng.integers(0, faces, faces // 4)
    corners[flat, :, 2] = np.round(corners[flat, :1, 2] / 10) * 10
    corners[rng.integers(0, faces, 20), 2] = corners[rng.integers(0, faces, 20), 1]
    corners[:20, 2] = corners[:20, 0] * 0.5 + corners[:20, 1] * 0.5 + rng.normal(0, 1e-7, (20, 3))
    return corners.reshape(-1, 3), np.arange(3 * faces).reshape(-1, 3)


def bumpy(level: int = 4) -> Mesh:
    points, faces = solids.ball(20, level=level)
    return points * (1 + 0.2 * np.sin(7 * points[:, :1] / 20) * np.cos(5 * points[:, 1:2] / 20)), faces


def folded() -> Mesh:
    """A bumpy ball whose points are shaken so much that it passes through itself everywhere."""
    points, faces = bumpy()
    return points + np.random.default_rng(5).normal(0, 0.9, points.shape), faces


def twice_round() -> Mesh:
    """A closed skin round an axis whose sides go about it twice, so that those at its tip, seen from above, take up two turns."""
    turn = 4 * np.pi * np.arange(9) / 9
    wide = np.where(np.arange(9) % 2 == 0, 9.0, 10.0)
    ring = 1 + np.arange(9)
    points = np.vstack(([[0, 0, 4]], np.stack((wide * np.cos(turn), wide * np.sin(turn), 0 * turn), axis=1), [[0, 0, -4]]))
    after = np.roll(ring, -1)
    faces = [np.stack((np.zeros(9, dtype=np.int64), ring, after), axis=1), np.stack((np.full(9, 10), after, ring), axis=1)]
    return points, np.vstack(faces)


@pytest.mark.parametrize("mesh", [tangle(1), bumpy(), folded(), solids.box((30, 20, 10), step=2.0)])
def test_nearest_spots_are_those_of_libigl(mesh: Mesh, plain: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(2)
    points = np.vstack((rng.uniform(-40, 60, (1500, 3)), mesh[0][rng.integers(0, len(mesh[0]), 200)]))
    expected = distance_to_faces(points, *mesh)
    face, square, spot = loops.Tree(*mesh).nearest(points)
    np.testing.assert_allclose(np.sqrt(square), expected, atol=1e-7)
    np.testing.assert_allclose(np.linalg.norm(spot - points, axis=1), np.sqrt(square), atol=1e-9)
    for k in range(0, len(points), 50):  # and the spot lies on the face named
        assert distance_to_faces(spot[k : k + 1], mesh[0], mesh[1][face[k : k + 1]])[0] < 1e-6


@pytest.mark.parametrize(
    ("mesh", "most"),
    [(tangle(3), 10_000), (tangle(4, 1500, 2.0), 10_000), (folded(), 10_000), (bumpy(), 0)],
    ids=["tangle", "crowd", "folded", "ball"],
)
@pytest.mark.parametrize("scale", [1.0, 40.0])
def test_crossings_are_those_of_the_plain_version(mesh: Mesh, most: int, scale: float, plain: pytest.MonkeyPatch) -> None:
    whole = part((mesh[0] * scale, mesh[1]))
    one = Survey(whole).get("crossings")
    plain.setenv("BUCKWRIGHT_LOOPS", "")
    two = Survey(whole).get("crossings")
    np.testing.assert_array_equal(one.pairs, two.pairs)
    np.testing.assert_array_equal(one.flat, two.flat)
    np.testing.assert_allclose(one.depth, two.depth, atol=1e-9)
    np.testing.assert_allclose(one.amount, two.amount, atol=1e-9)
    assert min(most, 50) <= len(one.pairs) <= most


def test_pairs_reach_every_two_faces_whose_boxes_meet() -> None:
    """All normals called upright, a pair of faces reach through each other when each is above and below the other's first corner."""
    points, faces = tangle(8, 60, 20.0)
    normal = np.zeros((60, 3))
    normal[:, 2] = 1.0
    across, lying, _, _ = loops.Tree(points, faces).pairs(normal, np.ones(60, dtype=bool), np.zeros(60, dtype=bool), 1e-9, 2.0)
    corners = points[faces]
    met = {(min(i, j), max(i, j)) for a, b in overlapping(corners.min(axis=1), corners.max(axis=1)) for i, j in zip(a, b, strict=True)}
    found = {(min(i, j), max(i, j)) for i, j in np.vstack((across, lying)).tolist()}
    assert found <= met
    assert len(met) > 500
    straddle = {
        (i, j) for i, j in met
        if corners[j, :, 2].min() < corners[i, 0, 2] - 1e-9 and corners[j, :, 2].max() > corners[i, 0, 2] + 1e-9
        and corners[i, :, 2].min() < corners[j, 0, 2] - 1e-9 and corners[i, :, 2].max() > corners[j, 0, 2] + 1e-9
    }  # fmt: skip
    assert {(min(i, j), max(i, j)) for i, j in across.tolist()} == straddle


def test_a_tree_of_faces_that_all_lie_in_one_spot() -> None:
    """Every code of the curve is the same, so halving must end it."""
    corner = np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]])
    faces = np.tile([0, 1, 2], (5000, 1))
    face, far = loops.Tree(corner, faces).first(np.array([[0.2, 0.2, 3.0], [0.9, 0.9, 3.0]]), np.array([[0.0, 0.0, -1.0]] * 2))
    assert face.tolist() == [0, -1]
    assert far[0] == pytest.approx(3.0)


@pytest.mark.parametrize("shift", [0.0, 3000.0])
def test_no_ray_slips_through_a_closed_skin(shift: float) -> None:
    """Aimed at corners, at the middle of edges and along the axes, from within and from very far away."""
    points, faces = solids.ball(25, level=4)
    tree = loops.Tree(points + shift, faces)
    targets = np.vstack((points, (points[faces[:, 0]] + points[faces[:, 1]]) / 2))
    for distance in (0.0, 1e2, 1e6):
        way = targets / np.linalg.norm(targets, axis=1)[:, None]
        start = np.zeros_like(targets) if distance == 0.0 else -distance * way
        face, far = tree.first(start + shift, way)
        assert (face >= 0).all()
        assert (np.abs(np.abs(far - distance) - 25) < 0.2 + 1e-9 * distance).all()
    axes = np.vstack((np.eye(3), -np.eye(3), np.where(np.eye(3), -1.0, -0.0)))
    assert (tree.first(np.full((9, 3), shift), axes)[0] >= 0).all()


def test_what_is_no_number_meets_nothing() -> None:
    tree = loops.Tree(*solids.box((10, 10, 10)))
    start = np.array([[np.nan, 5, 5], [5, 5, 5], [5, 5, np.inf]])
    face, far = tree.first(start, np.array([[0, 0, 1.0], [0, 0, np.nan], [0, 0, -1.0]]))
    assert (face == -1).all()
    assert np.isinf(far).all()
    with pytest.raises(ValueError, match="finite"):
        loops.Tree(np.array([[0, 0, 0], [1, 0, 0], [0, np.nan, 0]]), np.array([[0, 1, 2]]))
    with pytest.raises(ValueError, match="faces"):
        loops.Tree(np.zeros((3, 3)), np.array([[0, 1, 3]]))


def test_welding_is_the_plain_welding(plain: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(11)
    rows = rng.integers(-3, 4, (5000, 3)) * np.where(rng.random((5000, 3)) < 0.5, 1.0, -1.0)  # with zeros of both signs
    rows[::7] += rng.normal(0, 1e-15, (len(rows[::7]), 3))
    expected = weld_exact(rows)
    plain.setenv("BUCKWRIGHT_LOOPS", "")
    for one, two in zip(weld_exact(rows), expected, strict=True):
        np.testing.assert_array_equal(one, two)


@pytest.mark.parametrize("links", [0, 30, 400, 3000])
def test_components_are_those_of_scipy(links: int) -> None:
    rng = np.random.default_rng(links)
    one, two = rng.integers(0, 1000, (2, links))
    label, count = loops.join(1000, one, two)
    many, expected = connected_components(coo_matrix((np.ones(links), (one, two)), shape=(1000, 1000)), directed=False)
    assert count == many
    np.testing.assert_array_equal(label, expected)


def test_folds_and_plain_fans_are_those_of_numpy(plain: pytest.MonkeyPatch) -> None:
    for mesh in (bumpy(), folded(), tangle(3), twice_round(), (bumpy()[0], bumpy()[1][50:])):
        survey = Survey(part(mesh))
        skin, facets, edges = (survey.get(name) for name in ("skin", "facets", "edges"))
        from lint.measure.facet_size import _bend

        plain.setenv("BUCKWRIGHT_LOOPS", "plain")
        angle, fans = _bend(facets, edges), crossings._fans_plain(skin, facets, skin.vertices)
        np.testing.assert_allclose(loops.folds(facets.normal, facets.centre, edges.neighbours, edges.agree), angle, atol=1e-11)
        closed = crossings._closed(edges, len(skin.vertices))
        for known in (closed, np.zeros_like(closed)):
            np.testing.assert_array_equal(loops.plain_fans(skin.vertices, skin.faces, facets.normal, known), fans)


def test_a_point_that_its_faces_go_round_twice_is_not_plain() -> None:
    survey = Survey(part(twice_round()))
    skin, facets, edges = (survey.get(name) for name in ("skin", "facets", "edges"))
    assert edges.closed
    assert not loops.plain_fans(skin.vertices, skin.faces, facets.normal, crossings._closed(edges, len(skin.vertices)))[0]


def test_facets_and_longest_sides_are_those_of_numpy(plain: pytest.MonkeyPatch) -> None:
    for points, faces in (bumpy(), tangle(4)):
        survey = Survey(part((points, faces)))
        skin = survey.get("skin")
        ours = loops.facets(skin.vertices, skin.faces), loops.sides(skin.vertices, skin.faces)
        plain.setenv("BUCKWRIGHT_LOOPS", "plain")
        numpys = survey.get("facets")
        for one, two in zip(ours[0], (numpys.normal, numpys.area, numpys.centre), strict=True):
            np.testing.assert_array_equal(one, two)
        np.testing.assert_array_equal(ours[1], longest_squares(skin.vertices, skin.faces))


@pytest.mark.parametrize("name", ["ball", "bumpy", "drum", "coarse drum", "box", "tangle", "open", "folded"])
def test_sags_are_those_of_numpy(name: str, plain: pytest.MonkeyPatch) -> None:
    """With flats of many faces and of more than 64 sides, facets of one face and of several, skin that is open, crowded or crossed."""
    meshes = {
        "ball": solids.ball(20, level=2), "bumpy": bumpy(3), "drum": solids.tube(20, 0, 30, sides=80),
        "coarse drum": solids.tube(20, 12, 30, sides=24, rings=3), "box": solids.box((30, 20, 10), step=2.0), "tangle": tangle(6),
        "open": (bumpy(3)[0], bumpy(3)[1][40:]), "folded": folded(),
    }  # fmt: skip
    whole = part(meshes[name])
    ours = Survey(whole).get("sags")
    plain.setenv("BUCKWRIGHT_LOOPS", "plain")
    numpys = Survey(whole).get("sags")
    np.testing.assert_allclose(ours, numpys, rtol=1e-9, atol=1e-12)
    assert (numpys > 0).any() == (name not in ("box", "tangle"))


@pytest.mark.parametrize("mesh", [folded(), tangle(6), (bumpy()[0], bumpy()[1][90:]), solids.tube(20, 0, 30, sides=150, rings=40)])
def test_roughness_is_that_of_numpy(mesh: Mesh, plain: pytest.MonkeyPatch) -> None:
    """With a point whose neighbours are more than are summed in one go, and points that have too few."""
    points, faces = mesh
    whole = part((points + np.random.default_rng(1).normal(0, 0.02, points.shape), faces))
    survey = Survey(whole)
    skin, edges, facets = (survey.get(name) for name in ("skin", "edges", "facets"))
    every = np.unique(skin.faces)
    said = []
    for which in ("", "plain"):
        plain.setenv("BUCKWRIGHT_LOOPS", which)
        normal, near = point_normals(skin, facets, every), rings(skin, edges, every)
        fits = [quadric_fit(skin, normal, every, *ring) for ring in near]
        said.append((normal, *near[0], *near[1], *rings(skin, edges, every, 7)[1], *(fit.judged for fit in fits)))
        said[-1] += tuple(value for fit in fits for value in (fit.height[fit.judged], fit.noise[fit.judged]))
        said[-1] += (Survey(whole).get("roughness").noise,)
    for one, two in zip(*said, strict=True):
        np.testing.assert_allclose(one, two, rtol=1e-7, atol=1e-12)


@pytest.mark.parametrize("kind", ["cloud", "skin", "grid", "one spot", "few"])
def test_the_nearest_few_are_those_of_every_pair(kind: str) -> None:
    rng = np.random.default_rng(7)
    points = {
        "cloud": rng.normal(size=(900, 3)) ** 3, "skin": folded()[0], "grid": np.indices((10, 9, 8)).reshape(3, -1).T * 1.5,
        "one spot": np.zeros((100, 3)), "few": rng.normal(size=(48, 3)),
    }[kind]  # fmt: skip
    apart = ((points[:, None] - points[None]) ** 2) @ np.ones(3)
    expected = np.lexsort((np.broadcast_to(np.arange(len(points)), apart.shape), np.round(apart, 9)), axis=1)[:, :48]
    found = loops.nearest_few(points, 48, 7)
    np.testing.assert_array_equal(found[:, :7], expected[:, :7])
    np.testing.assert_array_equal(np.sort(found, axis=1), np.sort(expected, axis=1))
    with pytest.raises(ValueError, match="finite"):
        loops.nearest_few(np.full((50, 3), np.nan), 48, 7)


@pytest.mark.parametrize("many", [1, 2, 7, 48])
def test_middle_values_are_those_of_numpy(many: int) -> None:
    rng = np.random.default_rng(many)
    value, around = np.round(rng.normal(size=500), 1), rng.integers(0, 500, (300, many))
    np.testing.assert_array_equal(loops.middles(value, around), np.median(value[around], axis=1))


@pytest.mark.parametrize("faces", [0, 1, 40, 3000])
def test_half_edges_come_in_the_plain_order(faces: int) -> None:
    """With crowded edges, faces with two corners on one point, and a point with very many faces."""
    rng = np.random.default_rng(faces)
    corners = rng.integers(0, 60, (faces, 3))
    corners[: faces // 2, 0] = 7
    a, b, c = corners.T
    worthless = np.flatnonzero((a == b) | (b == c) | (c == a))
    for one, two in zip(loops.half_edges(corners, 60), _in_order(corners, worthless, 60), strict=True):
        np.testing.assert_array_equal(one, two)
    made, plain = loops.edge_table(corners, *loops.half_edges(corners, 60)), _table(corners, *_in_order(corners, worthless, 60))
    for field in fields(plain):
        np.testing.assert_array_equal(made[field.name], getattr(plain, field.name), field.name)
        assert made[field.name].dtype == getattr(plain, field.name).dtype


@pytest.mark.parametrize("mesh", [tangle(7), bumpy(), solids.box((30, 20, 10), step=2.0)])
def test_lines_of_a_grid_cross_as_in_numpy(mesh: Mesh, plain: pytest.MonkeyPatch) -> None:
    points = mesh[0].copy()
    points[-1] = np.nan  # meets nothing
    low, high = points[:-1].min(axis=0), points[:-1].max(axis=0)
    # Also a grid that begins on the skin's own corner and steps along its edges, and one that covers only the middle.
    grids = (
        grid_around(low, high, np.full(3, 0.7), 1),
        Grid(low, np.full(3, 1.0), (40, 40, 1)),
        Grid((low + high) / 2, np.full(3, 0.3), (5, 7, 1)),
    )
    for grid in grids:
        with np.errstate(invalid="ignore"):
            slow = columns.crossings(points, mesh[1], grid)
        plain.setenv("BUCKWRIGHT_LOOPS", "")
        quick = columns.crossings(points, mesh[1], grid)
        plain.setenv("BUCKWRIGHT_LOOPS", "plain")
        for name in ("column", "height", "face", "up"):
            np.testing.assert_array_equal(getattr(quick, name), getattr(slow, name))
            assert getattr(quick, name).dtype == getattr(slow, name).dtype


@pytest.mark.parametrize("mesh", [tangle(8), bumpy(), solids.box((30, 20, 10), step=2.0)])
def test_all_faces_about_a_point_are_named(mesh: Mesh) -> None:
    tree, rng = loops.Tree(*mesh), np.random.default_rng(3)
    for reach in (0.5, 6.0, np.inf):
        for point in mesh[0][rng.integers(0, len(mesh[0]), 12)] + rng.normal(0, 1, (12, 3)):
            far = np.array([distance_to_faces(point[None], mesh[0], face[None])[0] for face in mesh[1]])
            near = np.flatnonzero(far <= reach)
            about = tree.about(point, reach)
            assert np.isin(near, about).all()
            assert (np.diff(about) > 0).all()
            across = rng.normal(0, 1, 3)
            side = (mesh[0][mesh[1]] - point) @ across
            met = np.flatnonzero((side.min(axis=1) <= 0) & (side.max(axis=1) >= 0))
            cut = tree.about(point, reach, across)
            assert np.isin(np.intersect1d(near, met), cut).all()
            assert np.isin(cut, about).all()


@pytest.mark.parametrize("mesh", [tangle(9), bumpy(), solids.box((30, 20, 10), step=2.0)])
def test_basins_are_those_of_numpy(mesh: Mesh) -> None:
    whole = Survey(part(mesh))
    skin, edges = whole.get("skin"), whole.get("edges")
    for one, two in zip(
        loops.descend(skin.vertices, skin.faces, edges.ends), cups._descend(skin.vertices, skin.faces, edges.ends), strict=True
    ):
        np.testing.assert_array_equal(one, two)
        assert one.dtype == two.dtype


def test_the_nearest_face_within_a_reach() -> None:
    mesh = bumpy()
    points = np.random.default_rng(6).uniform(-40, 40, (2000, 3))
    tree = loops.Tree(*mesh)
    face, square, spot = tree.nearest(points)
    within, closer, at = tree.nearest(points, 5.0)
    near = square < 25.0
    assert 0 < near.sum() < len(points)
    np.testing.assert_array_equal(within, np.where(near, face, -1))
    np.testing.assert_array_equal(closer, np.where(near, square, np.inf))
    np.testing.assert_array_equal(at[near], spot[near])


@pytest.mark.parametrize("pull", [(0.0, 0.0, 1.0), (0.3, -0.5, 0.8)])
def test_a_mould_locks_as_without_the_loops(pull: tuple[float, float, float], plain: pytest.MonkeyPatch) -> None:
    points, faces = bumpy()
    points = points * (1.0, 1.0, 0.6) + 6 * np.sin(points[:, ::-1] / 6)
    plain.setenv("BUCKWRIGHT_LOOPS", "")
    one = Survey(part((points, faces))).get("moulding").pulled(np.array(pull))
    plain.setenv("BUCKWRIGHT_LOOPS", "plain")
    two = Survey(part((points, faces))).get("moulding").pulled(np.array(pull))
    assert one.locks
    assert len(one.locks) == len(two.locks)
    for a, b in zip(one.locks, two.locks, strict=True):
        assert (a.area, a.depth) == pytest.approx((b.area, b.depth), abs=1e-5)
        np.testing.assert_array_equal(np.sort(a.faces), np.sort(b.faces))


def test_recesses_are_those_found_without_the_loops(plain: pytest.MonkeyPatch) -> None:
    points, faces = bumpy(5)
    away = np.linalg.norm(points[:, :2], axis=1)
    points[:, 2] -= np.where((away < 5) & (points[:, 2] > 0), 14 * np.clip(1 - away / 5, 0, 1) ** 0.3, 0.0)
    plain.setenv("BUCKWRIGHT_LOOPS", "")
    one = Survey(part((points, faces))).get("recesses")
    plain.setenv("BUCKWRIGHT_LOOPS", "plain")
    two = Survey(part((points, faces))).get("recesses")
    assert one
    assert len(one) == len(two)
    for a, b in zip(one, two, strict=True):
        assert (a.depth, a.width) == pytest.approx((b.depth, b.width), abs=1e-5)
        np.testing.assert_array_equal(a.faces, b.faces)


def test_arrays_of_another_shape_are_refused() -> None:
    from lint.loops import compiled

    tree = compiled.tree(*(np.ascontiguousarray(a) for a in solids.box((10, 10, 10))))
    rays, face, far = np.zeros((4, 3)), np.zeros(4, dtype=np.int64), np.zeros(4)
    for wrong in (
        (rays[:, :2].copy(), rays, face, far), (rays, rays[:3].copy(), face, far), (rays, rays, face.astype(np.int32), far),
        (rays.astype(np.float32), rays, face, far), (rays, rays, face, far[::2]), (rays[:, ::-1], rays, face, far),
    ):  # fmt: skip
        with pytest.raises((TypeError, ValueError, BufferError)):
            compiled.cast(tree, wrong[0], wrong[1], 1.0, 0, None, wrong[2], wrong[3])
    with pytest.raises(ValueError, match="links"):
        compiled.join(np.array([0]), np.array([7]), np.zeros(3, dtype=np.int64))


def test_the_build_is_of_this_issue_of_the_loops() -> None:
    """Else `loops.there()` is False, and this file is skipped; so the number in loops.h is read too."""
    from lint.loops import compiled

    header = (Path(loops.__file__).parent / "loops.h").read_text(encoding="utf-8")
    assert f"#define ISSUE {loops.ISSUE} " in header
    assert compiled.issue == loops.ISSUE


@pytest.mark.parametrize("seed", range(8))
def test_new_faces_hit_those_of_the_plain_version(seed: int, plain: pytest.MonkeyPatch) -> None:
    """On strewn faces, on a ball through itself, and on a grid so coarse that sides lie on sides and faces on faces."""
    rng = np.random.default_rng(seed)
    grid = rng.integers(0, 3, (12, 3)).astype(float), rng.integers(0, 12, (30, 3))
    for vertices, faces in (tangle(seed, size=rng.uniform(0.5, 6)), folded(), bumpy(), grid):
        new = rng.random(len(faces)) < rng.random()
        plain.setenv("BUCKWRIGHT_LOOPS", "plain")
        expected, some = crossing_faces(vertices, faces, new), any_crosses(vertices, faces, new)
        plain.setenv("BUCKWRIGHT_LOOPS", "")
        np.testing.assert_array_equal(crossing_faces(vertices, faces, new), expected)
        assert any_crosses(vertices, faces, new) == some == bool(expected.any())


def test_new_faces_with_a_coordinate_that_is_no_number_are_refused() -> None:
    vertices, faces = tangle(1)
    vertices[5, 1] = np.nan
    with pytest.raises(ValueError, match="finite corners"):
        loops.hits(vertices, faces, np.ones(len(faces), dtype=bool), 1.0)


@pytest.mark.parametrize("mesh", [tangle(21), bumpy(), folded(), solids.box((30, 20, 10), step=2.0)])
@pytest.mark.parametrize(("scale", "away"), [(1.0, 0.0), (1e-4, 3.0), (1e70, 0.0)])
def test_powers_are_those_of_the_plain_version(mesh: Mesh, scale: float, away: float, plain: pytest.MonkeyPatch) -> None:
    whole = part((mesh[0] * scale + away, mesh[1]))
    one = Survey(whole).get("signature")
    plain.setenv("BUCKWRIGHT_LOOPS", "")
    two = Survey(whole).get("signature")
    np.testing.assert_allclose(one.shape, two.shape, rtol=1e-9, atol=1e-11)
    np.testing.assert_allclose((one.radius, one.coarse), (two.radius, two.coarse), rtol=1e-12)


def test_powers_of_faces_that_are_not_there_are_refused() -> None:
    points, faces = solids.box((1, 1, 1))
    for call in (
        lambda f: loops.middle(points, f, np.zeros(3)), lambda f: loops.powers(points, f, np.zeros(3), 1.0),
    ):  # fmt: skip
        with pytest.raises(ValueError, match="points that there are"):
            call(faces + len(points))


@pytest.mark.parametrize("points", [4, 8, 30, 400])
def test_walks_round_points_and_sums_of_shells_are_the_plain_ones(points: int, plain: pytest.MonkeyPatch) -> None:
    """Faces strewn over few points, so that edges are open, crowded and unevenly wound; and balls that share points."""
    rng = np.random.default_rng(points)
    ball = solids.ball(5, level=2)
    strewn = rng.normal(0, 9, (points, 3)), rng.integers(0, points, (3 * points, 3))
    balls = solids.joined(ball, (ball[0] + np.array([10.0, 0, 0]), ball[1]), (ball[0] + np.array([0, 0, 10.0]), ball[1][:-points]))
    for mesh in (strewn, balls, solids.joined(strewn, balls)):
        said = []
        for word in ("plain", ""):
            plain.setenv("BUCKWRIGHT_LOOPS", word)
            survey = Survey(part(mesh))
            said.append((survey.get("pinched"), survey.get("shells")))
        (pinched, shells), (others, like) = said
        np.testing.assert_array_equal(pinched, others)
        for field in fields(shells):
            np.testing.assert_array_equal(getattr(shells, field.name), getattr(like, field.name), field.name)
    assert len(pinched)
