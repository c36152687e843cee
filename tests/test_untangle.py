"""Untangle: walls across the skin go, also in open sheets; small pieces that hung by a point go; what is larger is told of."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from corpus.solids import Mesh, ball, joined
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.settings import Settings
from lint.shape.flaps import walls_across
from lint.terms import Mended, Part, Source

RULES = {n: all_rules()[n] for n in (5, 6, 9, 10)}


def part_of(mesh: Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("x.stl"), "stl", "", 0), units="mm")


def untangled(mesh: Mesh) -> Mended:
    return mend(part_of(mesh), RULES, {"untangle": all_fixes()["untangle"]}, Settings())


def dome() -> Mesh:
    vertices, faces = ball(20, level=3)
    return vertices, faces[(vertices[faces][:, :, 2] > -1.0).all(axis=1)]


def walled(mesh: Mesh, height: float) -> tuple[Mesh, int]:
    """A fan of faces from a point within to the loop of edges below which the skin's points lie: a wall across; and its faces."""
    vertices, faces = mesh
    low = (vertices[faces][:, :, 2] < height).any(axis=1)
    half = np.vstack([faces[low][:, [k, (k + 1) % 3]] for k in range(3)])
    other = {(int(b), int(a)) for a, b in np.vstack([faces[~low][:, [k, (k + 1) % 3]] for k in range(3)])}
    loop = np.array([(a, b) for a, b in half.tolist() if (a, b) in other])
    fan = np.column_stack((loop, np.full(len(loop), len(vertices))))
    return (np.vstack((vertices, [[0.0, 0.0, height]])), np.vstack((faces, fan))), len(fan)


def test_a_wall_across_an_open_sheet_goes_and_the_sheet_stays() -> None:
    sheet = dome()
    mesh, fan = walled(sheet, 18.0)
    survey = Survey(part_of(mesh))
    gone = walls_across(*(survey.get(n) for n in ("skin", "edges", "facets")))
    assert np.flatnonzero(gone).tolist() == list(range(len(sheet[1]), len(sheet[1]) + fan))
    done = untangled(mesh)
    assert [s.outcome for s in done.steps] == ["done"]
    assert len(done.part.faces) == len(sheet[1])


def test_a_large_wall_is_somebodys_work() -> None:
    """Nearly as large as the skin on one side of it: which of the three was meant cannot be told."""
    mesh, _ = walled(dome(), 2.0)
    survey = Survey(part_of(mesh))
    assert not walls_across(*(survey.get(n) for n in ("skin", "edges", "facets"))).any()


def test_a_boss_on_a_sheet_is_kept() -> None:
    """The skin goes on straight beneath it, but it stands before the skin and not behind it."""
    x, y = (c.ravel() for c in np.meshgrid(np.arange(21.0), np.arange(21.0)))
    corner = np.array([21 * r + c for r in range(20) for c in range(20)])
    faces = np.vstack((np.column_stack((corner, corner + 1, corner + 22)), np.column_stack((corner, corner + 22, corner + 21))))
    ring = np.array([219, 220, 221, 200, 179, 178, 177, 198])[::-1]
    boss = np.column_stack((ring, np.roll(ring, -1), np.full(8, 441)))
    mesh = np.vstack((np.column_stack((x, y, np.zeros(441))), [[10.0, 9.0, 3.0]])), np.vstack((faces, boss))
    survey = Survey(part_of(mesh))
    assert len(survey.get("edges").crowded) == 8
    gone = walls_across(*(survey.get(n) for n in ("skin", "edges", "facets")))
    assert not gone[len(faces) :].any()


def hung(radius: float) -> Mesh:
    """A ball with another that hangs on it by one shared point."""
    vertices, faces = ball(20, level=3)
    bead, bead_faces = ball(radius, level=2)
    top = int(np.argmax(vertices[:, 2]))
    bead = bead - bead[np.argmin(bead[:, 2])] + vertices[top]
    bead[np.argmin(bead[:, 2])] = vertices[top]
    return joined((vertices, faces), (bead, bead_faces))


def test_a_bead_that_hung_by_a_point_is_dropped() -> None:
    done = untangled(hung(0.6))
    assert [s.outcome for s in done.steps] == ["done"]
    assert Survey(done.part).get("shells").count == 1
    assert "dropped 1 small piece" in done.steps[0].why
    assert done.steps[0].zones, "where it was is told"


def test_a_larger_piece_that_hung_by_a_point_stays_and_is_told_of() -> None:
    done = untangled(hung(6.0))
    assert Survey(done.part).get("shells").count == 2
    assert "separate pieces" in done.steps[0].cautions[0]
