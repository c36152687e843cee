"""Marking a length: the points go back into the file's own numbers, and nothing is marked on a guess."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.size import mark
from lint.terms import BadInput
from lint.ticket import Length
from tests.gauges import block, cap, part_of, scanned, table
from tests.scans import needs_scans, scan


def measured(length: Length) -> float:
    return float(np.linalg.norm(np.subtract(length.to, length.from_)))


@pytest.mark.parametrize("units", [None, "m", "in"])
def test_a_bar_is_marked_in_the_files_own_numbers(units: str | None) -> None:
    own = {None: 0.001, "m": 0.00097, "in": 1 / 25.4}[units]  # the second: metres, 3 % small
    part = part_of(scanned(block(), table(), noise=0.1, seed=21, scale=own), units)
    length, sentence = mark(part, bar=40)
    assert measured(length) / own == pytest.approx(40.0, rel=0.002)
    assert length.true == 40
    assert length.name == "gauge block"
    assert "5 square faces" in sentence
    assert "0.1" in sentence
    assert "mm" in sentence


def test_a_ball_is_marked_through_its_middle() -> None:
    length, sentence = mark(part_of(scanned(cap(25, 0.7), table(), noise=0.1, seed=22, scale=0.001)), ball=25)
    assert measured(length) * 1000 == pytest.approx(25.0, rel=0.002)
    assert "% of the ball seen" in sentence


def test_two_balls_are_not_chosen_between_but_a_point_near_one_is_enough() -> None:
    one, two = cap(25, 1.0, 3), cap(25, 1.0, 3)
    part = part_of(solids.joined(one, (two[0] + (60.0, 0, 0), two[1])))
    with pytest.raises(BadInput, match="2 could be the ball of 25 mm"):
        mark(part, ball=25)
    length, _ = mark(part, ball=25, start=(61.0, 0, 10))
    assert np.mean((length.from_, length.to), axis=0) == pytest.approx([60, 0, 12.5], abs=0.1)


def test_a_ball_of_another_size_is_refused_when_the_units_are_told() -> None:
    with pytest.raises(BadInput, match="nowhere near 25 mm"):
        mark(part_of(solids.ball(40, level=3), "mm"), ball=25)


def test_a_unit_slip_is_no_reason_to_refuse() -> None:
    length, _ = mark(part_of(solids.ball(0.5, level=3), "mm"), ball=25.4)
    assert measured(length) == pytest.approx(1.0, rel=1e-3)


def test_the_side_of_a_block_that_is_meant_is_taken_when_the_units_are_told() -> None:
    part = part_of(solids.box((100, 40, 20)), "mm")
    assert measured(mark(part, bar=40)[0]) == pytest.approx(40)
    assert measured(mark(part, bar=100)[0]) == pytest.approx(100)
    assert measured(mark(part_of(solids.box((100, 40, 20))), bar=250)[0]) == pytest.approx(100)  # else the longest


def test_nothing_is_found_where_there_is_nothing() -> None:
    with pytest.raises(BadInput, match="no bar or block could be found"):
        mark(part_of(solids.ball(20, level=3)), bar=40)
    with pytest.raises(BadInput, match="no ball could be found"):
        mark(part_of(solids.box((40, 40, 40), step=4.0)), ball=25)


@needs_scans
@pytest.mark.parametrize("units", [None, "mm"])
def test_the_two_round_eyes_of_a_mask_are_not_taken_for_a_gauge(units: str | None) -> None:
    from lint.load import read

    with pytest.raises(BadInput, match=r"could be the ball|nowhere near"):
        mark(read(scan("mask_hannya.ply"), units=units), ball=25)


def test_exact_picks_stay_as_they_are() -> None:
    part = part_of(solids.box((0.04, 0.04, 0.04)), "m")
    length, sentence = mark(part, 40, (0, 0.02, 0.02), (0.04, 0.02, 0.02))
    assert length == Length((0.0, 0.02, 0.02), (0.04, 0.02, 0.02), 40)
    assert "already" in sentence


def test_rough_picks_on_two_ends_are_made_exact() -> None:
    part = part_of(solids.box((40, 30, 20), step=2.0))
    length, _ = mark(part, 40, (0.8, 14, 10), (39.5, 16, 11))
    assert length.from_[0] == pytest.approx(0, abs=1e-6)
    assert length.to[0] == pytest.approx(40, abs=1e-6)
    assert length.from_[1] == pytest.approx(15, abs=1.5)


def test_picks_on_a_round_thing_are_marked_as_picked_with_how_far_they_err() -> None:
    length, sentence = mark(part_of(solids.ball(50)), 100, (-50, 0, 0), (50, 0, 0))
    assert measured(length) == 100
    assert "marked as picked" in sentence
    assert "0.5 %" in sentence


def test_picks_in_other_numbers_than_the_files_are_refused() -> None:
    with pytest.raises(BadInput, match="from the skin"):
        mark(part_of(solids.box((0.04, 0.04, 0.04)), "m"), 40, (0, 20, 20), (40, 20, 20))


@pytest.mark.parametrize("words", [{}, {"ball": 25, "bar": 40}, {"true": 40}, {"true": 40, "start": (0, 0, 0), "end": (0, 0, 0)}])
def test_words_that_make_no_length(words: dict[str, object]) -> None:
    with pytest.raises(BadInput):
        mark(part_of(solids.box((40, 40, 40))), **words)  # type: ignore[arg-type]
