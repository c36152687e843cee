"""Crop: solids and sheets cut where the ticket says, checked against volumes and areas known by geometry."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.displacement import skin_moved
from lint.settings import Settings
from lint.shape import crop
from lint.terms import Declined, FloatArray, IntArray, Job, Part, Shaped, Source
from lint.ticket import CropTable, FixTable, Ticket


def part_of(mesh: tuple[FloatArray, IntArray], *tables: CropTable, placement: FloatArray | None = None) -> Part:
    place = np.eye(4) if placement is None else placement
    vertices = np.array(mesh[0]) @ place[:3, :3].T + place[:3, 3]
    ticket = Ticket(fix=FixTable(crop=list(tables)))
    return Part(vertices, np.array(mesh[1]), Source(Path("trial.stl"), "stl", "0", 0), units="mm", placement=place, ticket=ticket)


def cropped(part: Part) -> Shaped:
    shaped = crop.make(Job(part, Settings(), (), (), Survey(part), frozenset({"crop"}), True))
    moved = skin_moved(part, shaped.part, shaped.moved, shaped.zones)
    assert moved.max <= (shaped.promise.skin_max or 0) + 1e-9
    return shaped


def test_half_a_ball_has_half_the_volume() -> None:
    mesh = solids.ball(30, level=5)
    part = part_of(mesh, CropTable(point=(0, 0, 0), away=(0, 0, -2)))
    survey = Survey(cropped(part).part)
    assert survey.get("edges").closed
    assert survey.get("volume") == pytest.approx(Survey(part).get("volume") / 2, rel=1e-3)
    assert survey.get("extent").low[2] == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize("seed", range(5))
def test_a_slanting_cut_leaves_the_right_cap(seed: int) -> None:
    """Volume of a spherical cap: pi h2 (3r - h) / 3."""
    rng = np.random.default_rng(seed)
    away = rng.normal(size=3)
    away /= np.linalg.norm(away)
    at = float(rng.uniform(-20, 20))
    part = part_of(solids.ball(30, level=5), CropTable(point=tuple(at * away), away=tuple(3 * away)))
    survey = Survey(cropped(part).part)
    height = 30 + at
    assert survey.get("edges").closed
    assert survey.get("volume") == pytest.approx(np.pi * height**2 * (90 - height) / 3, rel=5e-3)


def test_a_box_keeps_what_is_inside() -> None:
    part = part_of(solids.box((60, 50, 40), step=7), CropTable(low=(10, 5, -1), high=(45, 99, 33)))
    survey = Survey(cropped(part).part)
    assert survey.get("volume") == pytest.approx(35 * 45 * 33, rel=1e-6)
    assert survey.get("edges").closed
    assert survey.get("shells").count == 1


def test_numbers_are_those_of_the_file() -> None:
    turn = np.array([[0, -10.0, 0, 3], [10.0, 0, 0, -700], [0, 0, 10.0, 20], [0, 0, 0, 1]])
    part = part_of(solids.box((6, 5, 4), step=1), CropTable(low=(1, 0, 0), high=(6, 5, 3)), placement=turn)
    survey = Survey(cropped(part).part)
    assert survey.get("volume") == pytest.approx(50 * 50 * 30, rel=1e-6)


def test_a_sheet_stays_open_and_its_area_is_right() -> None:
    vertices, faces = solids.box((60, 50, 10), step=5)
    top = faces[(vertices[faces, 2] == 10).all(axis=1)]
    part = part_of((vertices, top), CropTable(point=(22, 0, 0), away=(1, 0, 0)))
    survey = Survey(cropped(part).part)
    assert not survey.get("edges").closed
    assert survey.get("facets").area.sum() == pytest.approx(22 * 50, rel=1e-9)
    assert len(survey.get("rims")) == 1


def test_a_pipe_keeps_its_bore() -> None:
    part = part_of(solids.tube(20, 12, 80, rings=8), CropTable(point=(0, 0, 33), away=(0, 0, 1)))
    survey = Survey(cropped(part).part)
    assert survey.get("edges").closed
    assert survey.get("volume") == pytest.approx(Survey(part).get("volume") * 33 / 80, rel=1e-4)


def test_cut_twice_is_declined() -> None:
    part = part_of(solids.ball(30, level=4), CropTable(low=(-10, -10, -10), high=(99, 99, 99)))
    once = cropped(part)
    with pytest.raises(Declined, match="nothing of the part"):
        cropped(once.part)


def test_a_crop_beside_the_part_leaves_nothing() -> None:
    with pytest.raises(Declined, match="leave nothing"):
        cropped(part_of(solids.ball(30, level=3), CropTable(point=(0, 0, 500), away=(0, 0, -1))))


def test_without_tables_there_is_nothing_to_do() -> None:
    with pytest.raises(Declined, match="no "):
        cropped(part_of(solids.ball(30, level=3)))
