"""Pins: closed pieces a hair off the part become one solid with it; what stands farther off is left and told."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.displacement import skin_moved
from lint.shape.pins import pinned
from lint.terms import Declined
from tests.test_seat import part_of, seated

BLOCK = solids.box((60.0, 40.0, 20.0), step=5.0)


def knob(gap: float, radius: float = 8.0) -> solids.Mesh:
    """A ball that stands over the middle of the block, so far off it."""
    return solids.ball(radius, (30.0, 20.0, 20.0 + radius + gap), level=3)


@pytest.mark.parametrize("gap", [0.02, 0.15, 0.6])
def test_a_knob_that_stands_a_hair_off_is_joined_and_the_rest_of_the_skin_stays(gap: float) -> None:
    part = part_of(*solids.joined(BLOCK, knob(gap)))
    shaped = seated(part)
    survey = Survey(shaped.part)
    assert survey.get("shells").count == 1
    assert survey.get("edges").closed
    assert not len(survey.get("crossings").pairs)
    assert f"{gap:.2f} mm off joined" in shaped.did
    assert not shaped.cautions
    assert 0 < survey.get("volume") - Survey(part).get("volume") < 200
    moved = skin_moved(part, shaped.part, shaped.moved, shaped.zones)
    assert moved.max <= shaped.promise.skin_max + 1e-9  # type: ignore[operator]
    assert max(zone.size for zone in shaped.zones) < 8


def test_a_small_piece_that_hangs_in_the_air_is_hung_on_across_a_wider_gap() -> None:
    shaped = seated(part_of(*solids.joined(BLOCK, knob(6.0))))
    assert Survey(shaped.part).get("shells").count == 1
    assert "6.00 mm off joined" in shaped.did


def test_what_hangs_farther_off_than_it_is_long_is_left() -> None:
    with pytest.raises(Declined, match="flat and firm"):
        seated(part_of(*solids.joined(BLOCK, knob(20.0))))


def test_a_large_piece_in_the_air_is_not_hung_on_a_pin() -> None:
    assert not pinned(part_of(*solids.joined(BLOCK, knob(4.0, 18.0))), 0.4).joined


def test_pins_beside_shells_that_overlap_wait_for_unite() -> None:
    """What is buried by uniting is no business of the pins: they are laid in as shells of their own."""
    overlapping = solids.joined(BLOCK, solids.ball(6.0, (10.0, 10.0, 20.0), level=3))
    part = part_of(*solids.joined(overlapping, knob(3.0)))
    made = pinned(part, 0.4)
    assert made.joined == 1
    assert made.pieces == "any"
    assert Survey(made.part).get("shells").count == 4
    assert len(Survey(made.part).get("overlaps")) == 1


def test_two_parts_side_by_side_stay_two() -> None:
    part = part_of(*solids.joined(BLOCK, solids.box((20.0, 20.0, 20.0), (62.0, 0.0, 0.0), step=5.0)))
    assert not pinned(part, 0.4).joined


def test_pieces_are_joined_by_way_of_each_other() -> None:
    """The far ball stands off the near one only."""
    part = part_of(*solids.joined(solids.joined(BLOCK, knob(0.2)), solids.ball(8.0, (46.2, 20.0, 28.2), level=3)))
    made = pinned(part, 0.4)
    assert made.joined == 2
    assert Survey(made.part).get("shells").count == 1
    assert len(made.zones) == 2


def test_a_ball_loose_in_a_hollow_is_hung_on_its_wall() -> None:
    outer, hollow = solids.ball(20.0, (0.0, 0.0, 20.0), level=4), solids.ball(12.0, (0.0, 0.0, 20.0), level=4)
    inside = hollow[0], hollow[1][:, ::-1]
    made = pinned(part_of(*solids.joined(solids.joined(outer, inside), solids.ball(6.0, (0.0, 0.0, 14.2), level=3))), 0.4)
    survey = Survey(made.part)
    assert made.joined == 1
    assert survey.get("shells").count == 2
    assert bool(survey.get("nesting").cavity.any())


def test_a_shell_too_thin_for_the_ends_of_a_pin_is_left_alone() -> None:
    """No pin of two beads' width finds half its width of material in a leaf of a tenth of a millimetre."""
    leaf = solids.box((20.0, 20.0, 0.1), (20.0, 10.0, 20.2))
    part = part_of(*solids.joined(BLOCK, leaf))
    made = pinned(part, 0.4)
    assert not made.joined
    assert made.part is part


def test_a_file_of_crossing_or_open_pieces_is_not_touched() -> None:
    open_ball = solids.ball(8.0, (30.0, 20.0, 28.1), level=2)
    part = part_of(*solids.joined(BLOCK, (open_ball[0], open_ball[1][1:])))
    assert pinned(part, 0.4).part is part


def test_the_same_part_gives_the_same_bytes() -> None:
    part = part_of(*solids.joined(BLOCK, knob(0.1)))
    one, two = pinned(part, 0.4), pinned(part, 0.4)
    assert np.array_equal(one.part.vertices, two.part.vertices)
    assert np.array_equal(one.part.faces, two.part.faces)
