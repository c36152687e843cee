"""The compiled loops over points, edges and faces say what the plain versions, and other libraries, say."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from corpus import solids
from lint import loops
from lint.measure import Survey, crossings
from lint.measure.edges import _in_order, _table
from lint.measure.roughness import point_normals, quadric_fit, rings
from lint.measure.surface import longest_squares, weld_exact
from tests.meshes import part
from tests.tangles import Mesh, bumpy, folded, tangle, twice_round

pytestmark = pytest.mark.skipif(not loops.there(), reason="the compiled loops are not installed: no compiler, or BUCKWRIGHT_LOOPS=plain")


@pytest.fixture
def plain(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    monkeypatch.setenv("BUCKWRIGHT_LOOPS", "plain")
    return monkeypatch


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
