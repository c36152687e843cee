"""The hollow and the drain: the wall measured by other means than the maker's, the skin kept to the last bit, the way out proved."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from functools import cache
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from corpus import solids
from lint.measure import Survey
from lint.measure.columns import Grid
from lint.settings import Settings
from lint.shape.drain import fix as drain
from lint.shape.hollow import Carved, _raised, carve, thinnest_wall
from lint.shape.hollow import fix as hollow
from lint.shape.offset_field import Near
from lint.shape.roof import LEANS, stouter
from lint.terms import Declined, Job, Part, Shaped, Source, Touch
from tests.scans import scan

WALL = 3.0
Points = NDArray[np.float64]


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def job(part: Part, **facts: object) -> Job:
    return Job(part, dataclasses.replace(Settings(), **facts), (), (), Survey(part), asked=True)  # type: ignore[arg-type]


def hollowed(part: Part, **facts: object) -> Shaped:
    assert hollow.function is not None
    return hollow.function(job(part, **facts))


def drained(part: Part, **facts: object) -> Shaped:
    assert drain.function is not None
    return drain.function(job(part, **facts))


def cavity(old: Part, new: Part) -> trimesh.Trimesh:
    """The skin of the cavity alone, facing into it."""
    return trimesh.Trimesh(new.vertices[len(old.vertices) :], new.faces[len(old.faces) :] - len(old.vertices), process=False)


def spread(mesh: trimesh.Trimesh, count: int) -> Points:
    """Points all over a skin, and its corners."""
    points, _ = trimesh.sample.sample_surface(mesh, count, seed=5)
    return np.vstack((points, mesh.vertices[:: max(len(mesh.vertices) // count, 1)]))


# Depth under the true surface, worked out from the formula of each solid and not from any mesh.
def ball_depth(p: Points) -> Points:
    return 40.0 - np.linalg.norm(p, axis=1)


def box_depth(p: Points) -> Points:
    return np.minimum(p, np.array([40.0, 50.0, 60.0]) - p).min(axis=1)


def cone_depth(p: Points) -> Points:
    side = (40.0 - np.hypot(p[:, 0], p[:, 1]) - p[:, 2] * 40.0 / 60.0) * 60.0 / np.hypot(40.0, 60.0)
    return np.minimum(side, p[:, 2])


def ring_depth(p: Points) -> Points:
    return 16.0 - np.hypot(np.hypot(p[:, 0], p[:, 1]) - 36.0, p[:, 2])


def corner_depth(p: Points) -> Points:
    """An L of two bars 30 mm thick: the distance to the re-entrant edge counts where both bars' own sides are out of sight."""
    x, y, z = p.T
    out = np.minimum(np.minimum(x, z), np.minimum(y, 30.0 - y))
    inner = np.hypot(np.maximum(30.0 - x, 0.0), np.maximum(30.0 - z, 0.0))
    in_foot, in_post = x > 30.0, z > 30.0
    ends = np.minimum(80.0 - x, 80.0 - z)
    step = np.where(in_foot, 30.0 - z, np.where(in_post, 30.0 - x, inner))
    return np.minimum(np.minimum(out, ends), step)


SOLIDS: dict[str, tuple[Callable[[], solids.Mesh], Callable[[Points], Points], float]] = {
    "ball": (lambda: solids.ball(40.0), ball_depth, 0.06),
    "box": (lambda: solids.box((40.0, 50.0, 60.0)), box_depth, 0.0),
    "cone": (lambda: solids.turned([(0.0, 0.0), (40.0, 0.0), (0.0, 60.0)], 256), cone_depth, 0.01),
    "ring": (lambda: solids.torus(36.0, 16.0), ring_depth, 0.05),
    "L": (lambda: solids.fused(solids.box((80.0, 30.0, 30.0)), solids.box((30.0, 30.0, 80.0))), corner_depth, 0.0),
}


@cache
def made(name: str, process: str) -> trimesh.Trimesh:
    """The cavity of one of the solids, made once for all tests."""
    old = part_of(SOLIDS[name][0]())
    return cavity(old, hollowed(old, process=process).part)


@pytest.mark.parametrize("process", ["extrusion", "resin"])
@pytest.mark.parametrize("name", SOLIDS)
def test_the_wall_is_kept_everywhere_by_the_formula_of_the_solid(name: str, process: str) -> None:
    """The solid's facets lie up to the given sag inside its formula, so that much more may lie under the formula's surface."""
    _, depth, sag = SOLIDS[name]
    inner = made(name, process)
    assert inner.is_watertight
    wall = depth(spread(inner, 20_000))
    assert wall.min() >= WALL - 0.002
    assert wall.min() <= WALL + 0.05 + sag  # and no thicker than it need be where the wall decides


@pytest.mark.parametrize(("name", "size"), [("ear_left.stl", None), ("hand_closed.obj", 120.0)])
def test_the_wall_of_real_scans_by_rays_and_by_balls(name: str, size: float | None) -> None:
    """Rays straight in from the outer skin to the cavity, and the largest ball that fits between the two skins at points of the inner."""
    mesh = trimesh.load(scan(name), process=True)
    vertices = np.array(mesh.vertices) * (1.0 if size is None else size / max(mesh.extents))
    old = part_of((vertices, np.array(mesh.faces)))
    inner = cavity(old, hollowed(old, process="resin").part)
    outer = trimesh.Trimesh(old.vertices, old.faces, process=False)
    points, faces = trimesh.sample.sample_surface(outer, 4000, seed=3)
    start = points - 1e-4 * outer.face_normals[faces]
    met, ray, _ = inner.ray.intersects_location(start, -outer.face_normals[faces], multiple_hits=False)
    assert len(met) > 300
    assert np.linalg.norm(met - start[ray], axis=1).min() >= WALL - 0.05
    _, ball, _ = trimesh.proximity.closest_point(outer, spread(inner, 1500))
    assert ball.min() >= WALL - 0.05


@pytest.mark.slow
def test_the_wall_of_a_whole_head() -> None:
    mesh = trimesh.load(scan("headform_medium.stl"), process=True)
    old = part_of((np.array(mesh.vertices), np.array(mesh.faces)))
    inner = cavity(old, hollowed(old).part)
    _, ball, _ = trimesh.proximity.closest_point(trimesh.Trimesh(old.vertices, old.faces, process=False), spread(inner, 3000))
    assert ball.min() >= WALL - 0.05


def test_the_thinnest_wall_is_measured_between_corners_too() -> None:
    """A flat cavity face whose corners lie far from a spike that points at its middle."""
    spike = solids.fused(solids.box((60.0, 60.0, 30.0)), solids.box((1.0, 1.0, 1.0)))
    outer = solids.cut(spike, (solids.box((2.0, 2.0, 24.0), (29.0, 29.0, -1.0))))
    inner = solids.flipped(solids.box((50.0, 50.0, 2.0), (5.0, 5.0, 25.0)))
    assert thinnest_wall(Near(*outer), *inner) == pytest.approx(2.0, abs=1e-6)


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_the_wall_is_kept_beside_a_saw_cut_narrower_than_the_grid(axis: int) -> None:
    """A cut 0.04 mm wide and 15 mm deep into one side: no point of any grid lies in it, and yet it is skin."""
    size, low = np.array([30.0, 30.0, 30.0]), np.array([15.0, 15.0, 15.0])
    size[axis], low[axis] = 0.04, 30.0
    size[(axis + 1) % 3], low[(axis + 1) % 3] = 15.5, -0.5
    block = solids.cut(solids.box((60.0, 60.0, 60.0)), solids.box(tuple(size), tuple(low)))
    old = part_of(block)
    new = hollowed(old, process="resin")
    inner = cavity(old, new.part)
    assert inner.volume < -0.4 * 54.0**3
    _, wall, _ = trimesh.proximity.closest_point(trimesh.Trimesh(*block, process=False), spread(inner, 3000))
    assert wall.min() >= WALL - 0.002


def test_the_outer_skin_is_the_same_to_the_last_bit() -> None:
    old = part_of(solids.ball(40.0))
    new = hollowed(old).part
    assert np.array_equal(new.vertices[: len(old.vertices)], old.vertices)
    assert np.array_equal(new.faces[: len(old.faces)], old.faces)


@pytest.mark.parametrize(("process", "steepest"), [("extrusion", 45.0), ("resin", 71.0)])
@pytest.mark.parametrize("name", SOLIDS)
def test_the_roof_holds_itself_up(name: str, process: str, steepest: float) -> None:
    """Roof past the angle is only the narrow top of a ridge: no point of it is farther than half a bridge from steeper skin."""
    inner = made(name, process)
    down = inner.face_normals[:, 2]
    flat = down < -np.sin(np.radians(steepest + 0.5))
    if not flat.any():
        return
    ceiling = inner.submesh([np.flatnonzero(flat)], append=True)
    rest = trimesh.Trimesh(inner.vertices, inner.faces[~flat], process=False)
    points, _ = trimesh.sample.sample_surface(ceiling, 300, seed=4)
    _, span, _ = trimesh.proximity.closest_point(rest, points)
    assert span.max() <= (2.5 if process == "extrusion" else 10.0)


def test_no_layer_of_the_roof_begins_in_mid_air() -> None:
    """A hand fingers up: looked at layer by layer, every island of material inside stands on material of the layer below."""
    from scipy.ndimage import binary_dilation, label

    mesh = trimesh.load(scan("hand_closed.obj"), process=True)
    vertices = np.array(mesh.vertices)[:, [2, 0, 1]] * (120.0 / max(mesh.extents))
    old = part_of((vertices, np.array(mesh.faces)))
    inner = cavity(old, hollowed(old).part)
    step = 0.8
    low, high = inner.bounds
    count = np.ceil((high - low) / step).astype(int) + 2
    empty = np.zeros((count[2], count[1], count[0]), dtype=bool)
    for k in range(count[2]):
        section = inner.section(plane_origin=[0, 0, low[2] + (k - 0.37) * step], plane_normal=[0, 0, 1])
        if section is None:
            continue
        x, y = np.meshgrid(low[0] + np.arange(count[0]) * step, low[1] + np.arange(count[1]) * step)
        grid = np.column_stack((x.ravel(), y.ravel()))
        times = np.zeros(len(grid), dtype=int)
        for ring in section.discrete:
            times += _inside(ring[:, :2], grid)
        empty[k] = (times % 2 == 1).reshape(count[1], count[0])
    for k in range(1, count[2]):
        islands, many = label(~empty[k], structure=np.ones((3, 3)))
        carried = np.unique(islands[binary_dilation(~empty[k - 1], iterations=2)])
        assert set(range(1, many + 1)) <= set(carried.tolist())


# Of each roof: volume in cm3, how far it hangs, how far a tip drops, how thick what stands in it is.
Roof = tuple[float, float, float, float]
GOOD, TIP, HANGS = (1800.0, 0.0, 0.0, 9.0), (1800.0, 1.1, 0.56, 9.0), (1800.0, 6.7, 0.5, 9.0)
FINS, SHEETS = (1800.0, 0.0, 0.0, 0.6), (1800.0, 0.0, 0.0, 0.3)


@pytest.mark.parametrize(
    ("grown", "stout", "plain", "taken"),
    [
        (GOOD, None, None, 1800.0),
        (TIP, None, (2.7, 0.0, 0.0, 9.0), 1800.0),  # a tip of half a millimetre out of sight is no reason to fill the whole
        (TIP, None, (1700.0, 0.0, 0.0, 9.0), 1700.0),
        (HANGS, (1790.0, 0.0, 0.9, 9.0), (30.0, 0.0, 0.0, 9.0), 1790.0),
        (HANGS, (1790.0, 6.7, 0.9, 9.0), (30.0, 0.0, 0.0, 9.0), 30.0),
        (HANGS, (1790.0, 6.7, 0.9, 9.0), (30.0, 6.0, 0.0, 9.0), 30.0),  # none is good: the plainest
        (FINS, None, (30.0, 0.0, 0.0, 9.0), 1800.0),
        (FINS, (1790.0, 0.0, 0.0, 9.0), (1700.0, 0.0, 0.0, 9.0), 1700.0),  # what prints is not made stout
        (SHEETS, (1780.0, 0.0, 0.0, 9.0), None, 1780.0),
        (SHEETS, None, (30.0, 0.0, 0.0, 9.0), 30.0),
        (SHEETS, None, None, 1800.0),
    ],
)  # fmt: skip
def test_of_several_roofs_the_one_that_saves_most_and_prints(
    grown: Roof, stout: Roof | None, plain: Roof | None, taken: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    now: list[Roof] = []
    points, faces = solids.flipped(solids.box((20.0, 20.0, 20.0), (5.0, 5.0, 5.0)))

    def kept(*_: object, grown: bool, stout: float = 0.0, of: tuple[Roof | None, ...] = (grown, stout, plain)) -> Carved:
        which = of[1 if stout else 0 if grown else 2]
        if which is None:
            raise Declined("no such roof")
        now[:] = [which]
        return Carved(points, faces, 3.0, now[0][0], 1, 0)

    monkeypatch.setattr("lint.shape.hollow._kept", kept)
    monkeypatch.setattr("lint.shape.hollow._hangs", lambda *_: now[0][1])
    monkeypatch.setattr("lint.shape.hollow._drops", lambda *_: now[0][2])
    monkeypatch.setattr("lint.shape.hollow.least_wall", lambda *_: now[0][3])
    monkeypatch.setattr("lint.shape.hollow.thin_regions", lambda *_: [now] if now[0][3] < 0.5 else [])
    assert carve(*solids.box((30.0, 30.0, 30.0)), 3.0, LEANS["extrusion"], thin=0.8, weak=1.6).volume == taken


@pytest.mark.parametrize(
    ("least", "thinnest", "allowed"), [(np.inf, 3.0, True), (0.58, 3.0, True), (0.39, 3.0, False), (0.58, 1.9, False), (np.inf, 1.9, False)]
)
def test_only_fins_that_print_and_walls_that_are_safe_may_be_called_thin(least: float, thinnest: float, allowed: bool) -> None:
    points, faces = solids.flipped(solids.box((20.0, 20.0, 20.0), (5.0, 5.0, 5.0)))
    carved = Carved(points, faces, thinnest, 8000.0, 1, 0, finned=least < 0.8, least=least)
    for nozzle in (0.25, 0.4):
        assert (30 in _raised(carved, nozzle)) == allowed
    assert 30 not in _raised(dataclasses.replace(carved, least=0.58), 0.6)


def test_a_fin_is_made_as_thick_as_asked_and_a_block_stays() -> None:
    field = np.full((3, 40, 40), 2.0, dtype=np.float32)
    field[:, :, 12] = -0.2  # 0.18 mm thick, by the zeros of the field
    field[:, 20:26, 20:30] = -2.0
    made = stouter(field, Grid(np.zeros(3), np.ones(3), (40, 40, 3)), 1.5)
    for values, thick, close in ((field[1, 5], 0.18, 0.01), (made[1, 5], 1.5, 0.01), (made[1, 23, 16:], 10.0, 0.2)):
        down, up = (np.flatnonzero((values[:-1] > 0) != (values[1:] > 0)) + x for x in (0, 1))
        across = down + values[down] / (values[down] - values[up])
        assert across[1] - across[0] == pytest.approx(thick, abs=close)


def _inside(ring: Points, points: Points) -> NDArray[np.int64]:
    """Even-odd crossing count of a closed outline, 1 inside."""
    a, b = ring[:-1], ring[1:]
    times = np.zeros(len(points), dtype=np.int64)
    for (ax, ay), (bx, by) in zip(a, b, strict=True):
        if ay == by:
            continue
        across = (ay > points[:, 1]) != (by > points[:, 1])
        x = ax + (points[across, 1] - ay) * (bx - ax) / (by - ay)
        times[np.flatnonzero(across)[x > points[across, 0]]] ^= 1
    return times


@pytest.mark.parametrize(
    ("mesh", "why"),
    [
        (solids.box((60.0, 60.0, 9.0)), "saves nothing"),
        (solids.box((14.0, 14.0, 14.0)), "saves nothing"),
        ((solids.box((40.0, 40.0, 40.0))[0], solids.box((40.0, 40.0, 40.0))[1][1:]), "open"),
        (solids.joined(solids.box((60.0, 60.0, 60.0)), solids.flipped(solids.box((40.0, 40.0, 40.0), (10.0, 10.0, 10.0)))), "already"),
        (solids.joined(solids.box((40.0, 40.0, 40.0)), solids.box((40.0, 40.0, 40.0), (20.0, 20.0, 20.0))), "overlap"),
    ],
    ids=["a plate", "a small block", "an open skin", "hollow", "two overlapping blocks"],
)
def test_it_declines_what_it_should(mesh: solids.Mesh, why: str) -> None:
    with pytest.raises(Declined, match=why):
        hollowed(part_of(mesh))


@pytest.mark.parametrize("process", ["extrusion", "resin"])
def test_hollow_then_drain_leaves_one_shell_with_one_handle_more(process: str) -> None:
    """Two holes into one cavity: one shell, genus up by one, points - edges + faces = 0 for a block (facts 6.4, 6.6)."""
    old = part_of(solids.box((70.0, 60.0, 50.0)))
    full = hollowed(old, process=process)
    open_ = drained(full.part, process=process)
    survey = Survey(open_.part)
    assert survey.get("shells").count == 1
    assert survey.get("edges").closed
    skin, edges = survey.get("skin"), survey.get("edges")
    assert len(np.unique(skin.faces)) - len(edges.ends) + len(skin.faces) == 0
    assert not survey.get("hollows").cavities
    assert "two holes 5.0 mm wide" in open_.did
    assert "nothing pools" in open_.did
    with pytest.raises(Declined, match="already"):
        hollowed(open_.part, process=process)
    with pytest.raises(Declined, match="no sealed hollow"):
        drained(open_.part, process=process)


def test_what_the_holes_take_is_what_two_rods_through_the_floor_take() -> None:
    """About pi r^2 t each (facts 6.7), less what 48 sides cut off a circle."""
    old = part_of(solids.box((70.0, 60.0, 50.0)))
    full = hollowed(old).part
    open_ = drained(full).part
    floor = float(cavity(old, full).bounds[0, 2])
    taken = float(Survey(full).get("volume")) - float(Survey(open_).get("volume"))
    assert taken == pytest.approx(2 * np.pi * 2.5**2 * floor, rel=0.02)


def test_only_the_base_is_cut() -> None:
    old = part_of(solids.turned([(0.0, 0.0), (40.0, 0.0), (45.0, 30.0), (20.0, 60.0), (0.0, 60.0)], 96))
    full = hollowed(old).part
    shaped = drained(full)
    gone = trimesh.proximity.closest_point(trimesh.Trimesh(shaped.part.vertices, shaped.part.faces, process=False), old.vertices)[1]
    assert gone.max() < 1e-9
    for zone in shaped.zones:
        (x, y, z), (_, _, top) = zone.points
        assert np.hypot(x, y) + zone.size + WALL <= 40.0 + 0.06
        assert z == 0.0
        assert top < 10.0


def test_a_drained_part_survives_single_precision() -> None:
    part = drained(hollowed(part_of(solids.box((70.0, 60.0, 50.0)))).part)
    far = part.part.vertices + np.array([1000.0, -1000.0, 0.0])
    narrow = part.part.with_mesh(far.astype(np.float32).astype(np.float64), part.part.faces)
    survey = Survey(narrow)
    assert survey.get("edges").closed
    assert not len(survey.get("worthless"))


def test_drain_declines_without_a_base() -> None:
    with pytest.raises(Declined, match="seat it first"):
        drained(hollowed(part_of(solids.ball(40.0))).part)


def test_drain_declines_where_the_base_is_too_narrow() -> None:
    funnel = solids.turned([(0.0, 0.0), (6.0, 0.0), (50.0, 50.0), (0.0, 50.0)], 96)
    with pytest.raises(Declined, match="do not fit"):
        drained(hollowed(part_of(funnel)).part, allow=Touch.INSIDE)
    assert "through the underside of the skin" in drained(hollowed(part_of(funnel)).part).did


def test_a_pool_on_the_floor_is_measured() -> None:
    """A sealed room with a step in its floor and in the step a basin of 12 x 12 x 2 mm, away from where holes go."""
    room = solids.box((80.0, 30.0, 30.0), (5.0, 5.0, 5.0))
    high = solids.cut(room, solids.box((30.0, 40.0, 10.0), (60.0, 0.0, 0.0)))
    basin = solids.fused(high, solids.box((12.0, 12.0, 12.0), (64.0, 14.0, 8.0)))
    block = solids.joined(solids.box((90.0, 40.0, 40.0)), solids.flipped(basin))
    shaped = drained(part_of(block))
    assert "0.29 ml pools" in shaped.did
