"""Plug: bored canals and slits of known size are filled, all other skin stays to the bit, and what cannot be filled is told and left."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import manifold3d
import numpy as np
import pytest
import trimesh

from corpus import solids
from lint.cli import main
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.settings import Settings
from lint.terms import Mended, Part, Source
from tests.judges import record_of, sound_solid

RULES = {n: dataclasses.replace(all_rules()[n], after=()) for n in (4, 9, 52)}
FIX = {"plug": all_fixes()["plug"]}
BLOCK = solids.box((40.0, 40.0, 30.0))


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("troll.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def plugged(mesh: solids.Mesh, asked: bool = True) -> Mended:
    return mend(part_of(mesh), RULES, FIX, Settings(steps=("plug",) if asked else ()))


def bored(radius: float, low: float, at: tuple[float, float] = (20.0, 20.0), block: solids.Mesh = BLOCK) -> solids.Mesh:
    vertices, faces = solids.tube(radius, 0.0, 60.0, sides=32)
    return solids.cut(block, (vertices + np.array([*at, low]), faces))


def ball_with_canal() -> solids.Mesh:
    """A ball of 25 mm with a canal 7 mm wide, bored down from its top to its middle."""
    vertices, faces = solids.tube(3.5, 0.0, 40.0, sides=32)
    return solids.cut(solids.ball(25.0, level=4), (vertices, faces))


def volume(mesh: solids.Mesh) -> float:
    """By two other libraries, which must agree and both call it a sound solid."""
    solid = manifold3d.Manifold(manifold3d.Mesh64(mesh[0].copy(), mesh[1].astype(np.uint64)))
    assert solid.status() == manifold3d.Error.NoError
    other = trimesh.Trimesh(*mesh, process=False)
    assert other.is_watertight
    assert other.is_winding_consistent
    assert float(other.volume) == pytest.approx(solid.volume(), rel=1e-9)
    return float(solid.volume())


def rows(points: np.ndarray) -> set[bytes]:
    return {p.tobytes() for p in np.ascontiguousarray(points)}


def test_a_canal_in_a_ball_is_filled_and_the_rest_stays_to_the_bit() -> None:
    mesh = ball_with_canal()
    mended = plugged(mesh)
    (step,) = mended.steps
    assert (step.outcome, mended.broke, step.moved_max) == ("done", False, 0.0), step.why
    assert not mended.after.findings
    # The cap over the mouth holds 3.5^4 pi / (4 * 25) = 4.7 mm3 above the plane of the rim: a flat lid would miss it.
    ball, now = volume(solids.ball(25.0, level=4)), volume((mended.part.vertices, mended.part.faces))
    assert ball - volume(mesh) > 900
    assert now == pytest.approx(ball, abs=1.0)
    r = np.linalg.norm(mended.part.vertices, axis=1)
    assert r.min() > 24.9
    assert r.max() < 25.1
    outside = mesh[0][np.linalg.norm(mesh[0], axis=1) > 24.99]
    assert rows(outside) <= rows(mended.part.vertices)


@pytest.mark.parametrize(
    ("mesh", "whole"),
    [
        (solids.cut(BLOCK, solids.box((24.0, 3.0, 20.0), (8.0, 18.0, 16.0))), 48000.0),
        (bored(3.0, 12.0), 48000.0),
        (solids.cut(BLOCK, solids.box((60.0, 6.0, 6.0), (-10.0, 17.0, 12.0))), 48000.0),
        (bored(3.0, 12.0, (12.0, 20.0), bored(2.5, 15.0, (28.0, 20.0))), 48000.0),
        (solids.cut(bored(3.0, 15.0), solids.ball(4.5, (20.0, 20.0, 14.0), level=3)), 48000.0),
    ],
    ids=["a slit", "a bore", "a tunnel with two mouths", "two bores", "a canal with a wide end"],
)
def test_a_block_is_whole_again(mesh: solids.Mesh, whole: float) -> None:
    mended = plugged(mesh)
    (step,) = mended.steps
    assert (step.outcome, mended.broke) == ("done", False), step.why
    assert volume((mended.part.vertices, mended.part.faces)) == pytest.approx(whole, rel=1e-9)
    assert not mended.after.findings
    on_block = ((mesh[0] == 0) | (mesh[0] == [40.0, 40.0, 30.0])).any(axis=1)
    assert rows(mesh[0][on_block]) <= rows(mended.part.vertices)
    assert len(step.zones) == len(mended.before.findings)


def pin_in_a_bore() -> solids.Mesh:
    """A bore with a pin that stands up from its floor and out of its mouth."""
    vertices, faces = solids.tube(1.5, 0.0, 24.0, sides=24)
    return solids.fused(bored(5.0, 12.0), (vertices + np.array([20.0, 20.0, 11.0]), faces))


def bore_into_a_hollow() -> solids.Mesh:
    """A bore that opens into a hollow with far more skin than it has itself."""
    tall = solids.box((40.0, 40.0, 60.0))
    return solids.cut(bored(3.0, 20.0, block=tall), solids.ball(12.0, (20.0, 20.0, 16.0), level=3))


@pytest.mark.parametrize(
    ("mesh", "why"), [(pin_in_a_bore(), "stands out of it"), (bore_into_a_hollow(), "a larger hollow")], ids=["a pin", "a hollow"]
)
def test_what_cannot_be_filled_is_told_and_left(mesh: solids.Mesh, why: str) -> None:
    mended = plugged(mesh)
    (step,) = mended.steps
    assert (step.outcome, mended.broke) == ("declined", False)
    assert why in step.why
    assert np.array_equal(mended.part.vertices, mesh[0])
    assert [f.rule for f in mended.after.findings] == [f.rule for f in mended.before.findings] == [52]


def test_one_is_filled_and_the_other_told() -> None:
    mesh = bored(2.5, 15.0, (6.0, 6.0), pin_in_a_bore())
    mended = plugged(mesh)
    (step,) = mended.steps
    assert (step.outcome, mended.broke) == ("done", False), step.why
    assert "plugged 1 recess" in step.why
    assert "1 recess left alone: closing the mouth would cut away" in step.why
    assert len(mended.before.findings) == 2
    assert len(mended.after.findings) == 1
    assert volume((mended.part.vertices, mended.part.faces)) == pytest.approx(volume(pin_in_a_bore()), rel=1e-9)


def test_where_the_mouth_must_stay_only_the_depths_are_filled() -> None:
    """A pocket 2 mm deep with a pin that stands out of it, and a bore in its floor: the bore goes, pin and pocket stay."""
    pocket = solids.cut(BLOCK, solids.box((11.0, 11.0, 4.0), (14.0, 14.0, 28.0)))
    vertices, faces = solids.tube(1.0, 0.0, 8.0, sides=16)
    pocket = solids.fused(pocket, (vertices + np.array([16.5, 16.5, 27.0]), faces))
    mended = plugged(bored(2.5, 14.0, (21.0, 21.0), pocket))
    (step,) = mended.steps
    assert (step.outcome, mended.broke) == ("done", False), step.why
    assert "only in the depths" in step.why
    assert volume((mended.part.vertices, mended.part.faces)) == pytest.approx(volume(pocket), rel=1e-9)
    assert rows(pocket[0]) <= rows(mended.part.vertices)
    assert not mended.after.findings


def test_it_runs_only_when_asked_and_a_second_time_changes_nothing() -> None:
    mesh = bored(3.0, 12.0)
    assert not plugged(mesh, asked=False).steps
    once = plugged(mesh)
    again = plugged((once.part.vertices, once.part.faces))
    (step,) = again.steps
    assert step.outcome == "declined"
    assert "clay or wax" in step.why
    assert np.array_equal(again.part.vertices, once.part.vertices)
    assert np.array_equal(again.part.faces, once.part.faces)


def test_through_the_command_line(tmp_path: Path) -> None:
    mesh = bored(3.0, 12.0)
    source, out = tmp_path / "troll.stl", tmp_path / "troll_plugged.3mf"
    trimesh.Trimesh(*mesh, process=False).export(source)
    before = source.read_bytes()
    assert main(["fix", str(source), "--units", "mm", "--step", "plug", "--to", str(out)]) in (0, 1)
    assert source.read_bytes() == before
    step = next(s for s in record_of(out)["steps"] if s["name"] == "plug")
    assert step["outcome"] == "done"
    said = sound_solid(out)
    assert said.pop("bodies") == 1
    assert all(said.values()), said
    assert trimesh.load(out, force="mesh").volume == pytest.approx(48000.0, rel=1e-4)
