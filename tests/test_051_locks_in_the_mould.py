"""Rule 51, locks in the mould: undercuts of known area and depth, draft either side of the limit, pulls carried along."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.undercut import Pulled
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
from rules.rule_051_locks_in_the_mould import rule

UP = (0.0, 0.0, 1.0)


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def found(part: Part, **facts: object) -> list[Finding]:
    settings = Settings(**{"pull": UP, "mould": "rigid", **facts})  # type: ignore[arg-type]
    report = examine(part, {51: dataclasses.replace(rule, after=())}, settings)
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


def pulled(mesh: solids.Mesh, direction: tuple[float, float, float] = UP) -> Pulled:
    result: Pulled = Survey(part_of(mesh)).get("moulding").pulled(np.array(direction))
    return result


def block(*cuts: tuple[tuple[float, float, float], tuple[float, float, float]]) -> solids.Mesh:
    mesh = solids.box((60.0, 60.0, 60.0))
    for size, low in cuts:
        mesh = solids.cut(mesh, solids.box(size, low))
    return mesh


@pytest.mark.parametrize("depth", [0.3, 1.3, 19.0])
def test_a_side_pocket_is_as_deep_as_it_is_cut(depth: float) -> None:
    (lock,) = pulled(block(((depth + 1, 20.0, 20.0), (-1.0, 20.0, 20.0)))).locks
    assert lock.depth == pytest.approx(depth, abs=1e-3)
    # hidden: ceiling, floor, back and both sides of the pocket
    assert lock.area == pytest.approx(2 * 20 * depth + 400 + 2 * 20 * depth, rel=0.02)


def test_a_ball_on_a_flat_recedes_by_what_pythagoras_says() -> None:
    """R 30 cut 25 below its centre: R - sqrt(R^2 - 25^2) deep; hidden zone 2 pi R 25."""
    ball = solids.cut(solids.ball(30.0, level=5), solids.box((80.0, 80.0, 20.0), (-40.0, -40.0, -45.0)))
    (lock,) = pulled(ball).locks
    assert lock.depth == pytest.approx(30 - np.sqrt(900 - 625), abs=0.05)
    assert lock.area == pytest.approx(2 * np.pi * 30 * 25, rel=0.01)


def test_a_cap_on_a_stem() -> None:
    knob = solids.turned([(0.0, 0.0), (10.0, 0.0), (10.0, 30.0), (20.0, 30.0), (20.0, 40.0), (0.0, 40.0)], 128)
    (lock,) = pulled(knob).locks
    assert lock.depth == pytest.approx(20 * np.cos(np.pi / 128) - 10, abs=0.005)
    assert lock.area == pytest.approx(np.pi * 300 + 2 * np.pi * 10 * 30, rel=0.005)


def test_a_tunnel_is_half_its_length_deep() -> None:
    (lock,) = pulled(block(((70.0, 20.0, 20.0), (-1.0, 20.0, 20.0)))).locks
    assert lock.depth == pytest.approx(30.0, abs=0.6)


@pytest.mark.parametrize("angle", [25.0, 40.0, 55.0])
def test_the_way_out_may_lead_where_two_outlines_cross(angle: float) -> None:
    """Two long plates in space, crossing over a slab: behind the notch between them the nearest free line is at its corner, the nearest
    point of neither plate's side. Against lines along the pull tried one by one."""
    sizes = np.array([[80.0, 80.0, 10.0], [160.0, 60.0, 3.0], [160.0, 60.0, 3.0]])
    turn, low, height = np.radians([0.0, angle, -angle]), np.array([[-40, -40], [-80, -60], [-80, -60]]), (0.0, 20.0, 26.0)
    frames = [np.array([[np.cos(t), -np.sin(t)], [np.sin(t), np.cos(t)]]) for t in turn]
    meshes = []
    for size, corner, frame, z in zip(sizes, low, frames, height, strict=True):
        points, faces = solids.box(tuple(size), (*corner, z))
        meshes.append((np.column_stack((points[:, :2] @ frame.T, points[:, 2])), faces))
    line = np.stack(np.meshgrid(*[np.arange(-110, 110, 0.5)] * 2), axis=-1).reshape(-1, 2)

    def on(number: int, spots: np.ndarray) -> np.ndarray:
        off = spots @ frames[number] - low[number]
        return np.asarray(((off > 0) & (off < sizes[number, :2])).all(axis=1))

    free = line[~on(1, line) & ~on(2, line)]
    locks = pulled(solids.joined(*meshes)).locks
    shell = np.repeat(np.arange(3), [len(f) for _, f in meshes])
    slab = max(lock.depth for lock in locks if shell[lock.faces[0]] == 0)
    spots = line[on(0, line) & (on(1, line) | on(2, line))]
    deepest = max(float(np.sqrt(((free - spot) ** 2).sum(axis=1).min())) for spot in spots[::7])
    assert slab == pytest.approx(deepest, abs=1.2)  # a step of either grid


@pytest.mark.parametrize(
    ("mesh", "pull"),
    [
        (solids.box((40.0, 40.0, 40.0)), UP),
        (block(((40.0, 20.0, 20.0), (10.0, 20.0, 50.0))), UP),
        (solids.turned([(0.0, 0.0), (20.0, 0.0), (15.0, 30.0), (0.0, 30.0)], 96), UP),
    ],
    ids=["a cube", "a pocket open upwards", "a cone"],
)
def test_nothing_is_hidden(mesh: solids.Mesh, pull: tuple[float, float, float]) -> None:
    assert not pulled(mesh, pull).locks


def test_half_a_ring_is_hidden_whichever_way_it_is_pulled_sideways() -> None:
    ring = solids.torus(30.0, 8.0)
    areas = [sum(lock.area for lock in pulled(ring, (np.cos(a), np.sin(a), 0.0)).locks) for a in (0.0, 0.7, 2.0)]
    assert areas == pytest.approx([areas[0]] * 3, rel=0.01)
    assert areas[0] > 4 * np.pi**2 * 30 * 8 / 2  # the half that faces away, and more that stands behind it


@pytest.mark.parametrize(
    ("depth", "mould", "weights"),
    [
        (0.15, "rigid", []),
        (0.25, "rigid", [Weight.STOP]),
        (0.25, None, [Weight.CAUTION]),
        (2.9, "flexible", []),
        (3.1, "flexible", [Weight.CAUTION]),
    ],
)
def test_weights_and_limits(depth: float, mould: str | None, weights: list[Weight]) -> None:
    part = part_of(block(((depth + 1, 20.0, 20.0), (-1.0, 20.0, 20.0))))
    assert [f.weight for f in found(part, mould=mould) if f.case == "locks"] == weights


@pytest.mark.parametrize(("draft", "count"), [(2.9, 1), (3.1, 0), (0.0, 1)])
def test_draft_either_side_of_the_limit(draft: float, count: int) -> None:
    top = 30.0 - 60.0 * np.tan(np.radians(draft))
    part = part_of(solids.turned([(0.0, 0.0), (30.0, 0.0), (30.0, 10.0), (top, 70.0), (0.0, 70.0)], 256))
    said = found(part)
    assert [f.case for f in said] == ["drags"] * count
    for one in said:
        assert one.measured == pytest.approx(draft, abs=0.02)
    assert not found(part, mould=None)


def test_the_upright_sides_of_the_base_do_not_drag() -> None:
    slab = solids.box((60.0, 60.0, 10.0), (-30.0, -30.0, 0.0))
    slab = solids.fused(slab, solids.turned([(0.0, 5.0), (20.0, 5.0), (10.0, 40.0), (0.0, 40.0)], 96))
    assert not found(part_of(slab), base=10.0)
    assert [f.case for f in found(part_of(slab), base=5.0)] == ["drags"]


def test_the_pull_is_given_in_the_files_own_directions() -> None:
    """A part that was laid on its side since: the file's x is now down, and the hole opens upwards, away from the board."""
    mesh = block(((11.0, 20.0, 20.0), (-1.0, 20.0, 20.0)))
    turn = np.array([[0.0, 0, 1, 0], [0, 1, 0, 0], [-1, 0, 0, 60], [0, 0, 0, 1]])
    laid = part_of(mesh).with_mesh(mesh[0] @ turn[:3, :3].T + turn[:3, 3], mesh[1], moved=turn)
    assert [f.case for f in found(laid, pull=(0.0, 0.0, 1.0), mould=None)].count("locks") >= 1
    (as_file,) = found(part_of(mesh), mould=None)
    deepest = max(f.measured for f in found(laid, mould=None) if f.place is not None and f.place.reach < 30)
    assert deepest == pytest.approx(as_file.measured, abs=1e-3)


def test_what_opens_only_in_the_base_is_covered_by_the_board() -> None:
    """A bell, a socket and a sealed hollow take no plaster; a hole in the side of the same hollow does."""
    cone = solids.turned([(0.0, 0.0), (25.0, 0.0), (14.0, 40.0), (0.0, 40.0)], 96)
    sealed = solids.cut(cone, solids.ball(10.0, (0.0, 0.0, 18.0), level=3))
    pin = solids.tube(3.0, 0.0, 60.0, 32)
    drained = solids.cut(sealed, (pin[0] - [0.0, 0.0, 45.0], pin[1]))
    bell = solids.cut(cone, solids.turned([(0.0, -1.0), (9.0, -1.0), (12.0, 30.0), (0.0, 30.0)], 96))
    for mesh in (cone, sealed, drained, bell):
        assert not found(part_of(mesh))
    assert [f.case for f in found(part_of(solids.cut(sealed, (pin[0][:, [2, 0, 1]] + [0.0, 0.0, 18.0], pin[1]))))].count("locks") >= 1


def test_without_a_pull_it_is_not_run() -> None:
    report = examine(part_of(block()), {51: dataclasses.replace(rule, after=())}, Settings())
    assert report.rules[0].why == "the ticket gives no pull"
