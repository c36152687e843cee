"""The compiled tree of faces, and what asks it, say what the plain versions, and other libraries, say."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint import loops
from lint.measure import Survey, columns, cups
from lint.measure.boxes import overlapping
from lint.measure.columns import Grid, grid_around
from lint.measure.nearest import distance_to_faces
from lint.shape.crossing import any_crosses, crossing_faces
from tests.meshes import part
from tests.tangles import Mesh, bumpy, folded, stepped, tangle

pytestmark = pytest.mark.skipif(not loops.there(), reason="the compiled loops are not installed: no compiler, or BUCKWRIGHT_LOOPS=plain")


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setenv("BUCKWRIGHT_LOOPS", "plain")
    return monkeypatch


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
    [(tangle(3), 10_000), (tangle(4, 1500, 2.0), 10_000), (folded(), 10_000), (stepped(), 10_000), (bumpy(), 0)],
    ids=["tangle", "crowd", "folded", "stepped", "ball"],
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
