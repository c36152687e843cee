"""Close: holes of known shape are filled in line with the skin around them, and the rim a sheet ends at is left alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.displacement import skin_moved
from lint.settings import Settings
from lint.shape import close
from lint.shape.crossing import crossing_faces
from lint.terms import Declined, FloatArray, IntArray, Job, Part, Shaped, Source


def part_of(vertices: FloatArray, faces: IntArray) -> Part:
    return Part(np.array(vertices), np.array(faces), Source(Path("trial.stl"), "stl", "0", 0), units="mm")


def closed(part: Part, *planned: str) -> Shaped:
    return close.make(Job(part, Settings(), (), (), Survey(part), frozenset(planned), False))


def holed(vertices: FloatArray, faces: IntArray, *spots: tuple[tuple[float, float, float], float]) -> Part:
    """A mesh less the faces whose middle is within a radius of each spot."""
    middle = vertices[faces].mean(axis=1)
    for spot, radius in spots:
        gone = np.linalg.norm(middle - spot, axis=1) < radius
        faces, middle = faces[~gone], middle[~gone]
    return part_of(vertices, faces)


def check(part: Part, shaped: Shaped) -> None:
    assert np.array_equal(np.sort(shaped.part.vertices[: len(np.unique(part.vertices, axis=0))], axis=0),
                          np.sort(np.unique(part.vertices, axis=0), axis=0)), "the skin keeps its points"  # fmt: skip
    moved = skin_moved(part, shaped.part, shaped.moved, shaped.zones)
    assert moved.max < 1e-9
    survey = Survey(shaped.part)
    assert not len(survey.get("edges").crowded)
    assert survey.get("edges").agree.all()
    skin = survey.get("skin")
    new = np.arange(len(skin.faces)) >= len(part.faces)
    assert not crossing_faces(skin.vertices, skin.faces, new).any()


def test_a_hole_in_a_ball_is_filled_round() -> None:
    vertices, faces = solids.ball(50, level=5)
    part = holed(vertices, faces, ((0, 0, 50), 18))
    shaped = closed(part)
    check(part, shaped)
    survey = Survey(shaped.part)
    assert survey.get("edges").closed
    # A flat lid over a hole of radius 18 would stand 3.4 mm inside the ball; a patch that goes on from the skin keeps to it.
    distance = np.linalg.norm(shaped.part.vertices, axis=1)
    assert np.abs(distance - 50).max() < 0.35
    assert survey.get("volume") == pytest.approx(4 / 3 * np.pi * 50**3, rel=2e-3)


def test_a_hole_in_a_flat_is_filled_flat() -> None:
    vertices, faces = solids.box((60, 50, 20), step=2.5)
    part = holed(vertices, faces, ((30, 25, 20), 12))
    shaped = closed(part)
    check(part, shaped)
    assert Survey(shaped.part).get("volume") == pytest.approx(60 * 50 * 20, rel=1e-9)


def test_a_hole_over_an_edge_is_closed() -> None:
    vertices, faces = solids.box((60, 50, 20), step=2.5)
    part = holed(vertices, faces, ((60, 25, 20), 9))
    shaped = closed(part)
    check(part, shaped)
    assert Survey(shaped.part).get("volume") == pytest.approx(60 * 50 * 20, rel=0.02)


def test_many_holes_at_once() -> None:
    vertices, faces = solids.ball(40, level=5)
    rng = np.random.default_rng(11)
    spots = [(tuple(vertices[i]), float(rng.uniform(1.5, 6))) for i in rng.choice(len(vertices), 25, replace=False)]
    part = holed(vertices, faces, *spots)
    shaped = closed(part)
    check(part, shaped)
    assert Survey(shaped.part).get("edges").closed


def test_a_single_missing_face_comes_back() -> None:
    vertices, faces = solids.ball(40, level=3)
    part = part_of(vertices, faces[1:])
    shaped = closed(part)
    check(part, shaped)
    assert Survey(shaped.part).get("volume") == pytest.approx(Survey(part_of(vertices, faces)).get("volume"), rel=1e-12)


def test_the_outer_rim_is_left_for_seat_and_the_hole_is_not() -> None:
    vertices, faces = solids.ball(40, level=5)
    faces = faces[vertices[faces, 2].min(axis=1) >= 0]
    sheet = part_of(vertices, faces)
    with pytest.raises(Declined, match="seat"):
        closed(sheet, "seat")
    part = holed(vertices, faces, ((0, 0, 40), 8))
    shaped = closed(part, "seat")
    assert len(Survey(shaped.part).get("rims")) == 1
    assert "outer rim" in shaped.did
    whole = closed(sheet)
    assert Survey(whole.part).get("edges").closed, "nobody carries it down, so it is filled"


def test_a_small_hole_is_no_outer_rim() -> None:
    vertices, faces = solids.ball(40, level=5)
    part = holed(vertices, faces, ((0, 0, 40), 6))
    assert Survey(closed(part, "seat").part).get("edges").closed


def test_nothing_to_close_is_declined() -> None:
    with pytest.raises(Declined, match="no open rim"):
        closed(part_of(*solids.ball(10, level=2)))


def test_a_lone_flat_scrap_is_not_made_a_solid() -> None:
    vertices = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0.0]])
    with pytest.raises(Declined):
        closed(part_of(vertices, np.array([[0, 1, 2], [0, 2, 3]])))


def test_a_hole_that_touches_itself_is_filled_in_two() -> None:
    vertices, faces = solids.box((60, 50, 20), step=5)
    middle = vertices[faces].mean(axis=1)
    one = (np.abs(middle - [22.5, 22.5, 20]) < [2.5, 2.5, 0.1]).all(axis=1)
    two = (np.abs(middle - [27.5, 27.5, 20]) < [2.5, 2.5, 0.1]).all(axis=1)
    part = part_of(vertices, faces[~(one | two)])
    shaped = closed(part)
    assert Survey(shaped.part).get("edges").closed
    assert Survey(shaped.part).get("volume") == pytest.approx(60 * 50 * 20, rel=1e-9)


def test_skin_scanned_twice_and_a_table_and_hidden_skin_are_left_out() -> None:
    vertices, faces = solids.ball(50, level=4)
    middle = vertices[faces].mean(axis=1)
    again = faces[np.linalg.norm(middle - [0, 50, 0], axis=1) < 15]
    table = solids.box((200, 160, 1), (-100, -80, -40), step=8)
    top = table[1][(table[0][table[1]][:, :, 2] > -39.5).all(axis=1)]
    bag = solids.ball(20, level=3)
    bag = bag[0], bag[1][bag[0][bag[1]].mean(axis=1)[:, 2] < 4]
    mesh = solids.joined((vertices, faces), (vertices * 0.985, again), (table[0], top), bag)
    part = part_of(*mesh)
    shaped = closed(part)
    survey = Survey(shaped.part)
    assert "scanned twice" in shaped.did
    assert "table" in shaped.did
    # The bag's wide mouth can be filled or, seen by nobody, left out; either way nothing stays open and the ball keeps its points.
    assert survey.get("edges").closed
    skin = {tuple(p) for p in vertices.tolist()}
    assert skin <= {tuple(p) for p in shaped.part.vertices.tolist()}
    assert skin_moved(part, shaped.part, shaped.moved, shaped.zones).max < 1e-9


def test_a_piece_that_closing_shows_to_be_inside_out_is_closed_and_then_turned() -> None:
    from lint.mend import mend
    from lint.rooms import all_fixes, all_rules
    from tests.test_seat import part_of

    vertices, faces = solids.ball(20.0, level=3)
    torn = part_of(vertices, np.delete(faces[:, ::-1], [0, 1, 2, 3], axis=0))
    rules = {n: all_rules()[n] for n in (4, 7, 8, 9)}
    mended = mend(torn, rules, {n: all_fixes()[n] for n in ("turn", "close")}, Settings())
    assert [(s.name, s.outcome) for s in mended.steps] == [("close", "done"), ("turn", "done")]
    assert not mended.after.findings
