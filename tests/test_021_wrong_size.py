"""Rule 21, wrong size: lengths of exactly known error either side of 1 % and of half a millimetre."""

import numpy as np
import pytest

from corpus.solids import box
from lint.terms import Finding, Weight
from tests.sizing import bar, said, ticketed

BLOCK = box((97, 40, 20))


def one(text: str, units: str | None = "mm") -> Finding:
    (finding,) = said(ticketed(BLOCK, text, units), 21)
    return finding


@pytest.mark.parametrize("share", [-0.0102, 0.0102, -0.03, 0.5])
def test_a_long_mark_off_by_more_than_one_percent_stops(share: float) -> None:
    finding = one(bar(100 * (1 + share), 100))
    assert (finding.case, finding.weight, finding.fix) == ("scale", Weight.STOP, "resize")
    assert finding.measured == pytest.approx(100 * share)
    assert finding.limit == pytest.approx(1.0)


@pytest.mark.parametrize("share", [-0.0098, 0.0, 0.0098])
def test_less_than_one_percent_is_clean(share: float) -> None:
    assert not said(ticketed(BLOCK, bar(100 * (1 + share), 100)), 21)


def test_half_a_millimetre_on_a_short_mark_is_a_note_and_more_a_stop() -> None:
    note = one(bar(39.52, 40))
    assert (note.case, note.weight, note.fix) == ("mark", Weight.NOTE, None)
    assert one(bar(39.48, 40)).case == "scale"
    assert not said(ticketed(BLOCK, bar(39.65, 40)), 21)


def test_a_short_mark_that_errs_beside_a_long_one_that_does_not_is_clean() -> None:
    assert not said(ticketed(BLOCK, bar(39.55, 40) + bar(200, 200)), 21)


@pytest.mark.parametrize(
    ("factor", "units", "words"),
    [
        (10.0, "mm", "as if centimetres had been read as millimetres"),
        (25.4, "mm", "as if inches had been read as millimetres"),
        (1000.0, "mm", "as if metres had been read as millimetres"),
        (0.001, "m", "as if millimetres had been read as metres"),
        (25.4 / 1.03, "mm", "as if inches had been read as millimetres"),
    ],
)
def test_a_unit_taken_for_another_is_named(factor: float, units: str, words: str) -> None:
    scale = {"mm": 1.0, "m": 1000.0}[units]
    finding = one(bar(100 / factor / scale, 100), units)
    assert finding.case == "slip"
    assert words in finding.message
    assert f"x{factor:.4g}" in finding.message


def test_a_part_thrice_too_small_is_no_unit_slip() -> None:
    assert one(bar(33, 100)).case == "scale"


@pytest.mark.parametrize(
    ("numbers", "words", "weight"),
    [
        (0.1, "its numbers are metres;", Weight.STOP), (100, "its numbers are millimetres;", Weight.CAUTION),
        (100 / 25.4, "inches;", Weight.STOP), (0.097, "metres, 3.0 % too small;", Weight.STOP), (33, "are 3.03 mm each;", Weight.STOP),
    ],
)  # fmt: skip
def test_a_file_without_units_is_told_what_its_numbers_are(numbers: float, words: str, weight: Weight) -> None:
    finding = one(bar(numbers, 100), None)
    assert (finding.case, finding.weight, finding.fix) == ("unit", weight, "resize")
    assert words in finding.message
    assert finding.measured == pytest.approx(numbers - 100)


def test_lengths_that_agree_make_one_finding_and_that_disagree_one_each() -> None:
    agreeing = said(ticketed(BLOCK, bar(48.5, 50) + bar(97, 100) + bar(194, 200)), 21)
    assert [f.case for f in agreeing] == ["scale"]
    apart = said(ticketed(BLOCK, bar(110, 100) + bar(190, 200) + bar(80, 80)), 21)
    assert [(f.case, f.fix) for f in apart] == [("one", None)] * 2
    assert sorted(f.measured for f in apart) == pytest.approx([-5, 10])


def test_a_finding_lies_between_its_marks() -> None:
    place = one(bar(90, 100)).place
    assert place is not None
    assert place.centre == pytest.approx((45, 0, 0))
    assert place.reach == pytest.approx(45)


def test_without_a_length_or_with_one_point_twice_it_is_not_run() -> None:
    from lint.terms import Outcome
    from tests.sizing import report

    assert report(ticketed(BLOCK), 21).rules[0].outcome is Outcome.NOT_RUN
    (result,) = report(ticketed(BLOCK, "[[length]]\nfrom = [1, 2, 3]\nto = [1, 2, 3]\ntrue = 40\nname = \"block\"\n"), 21).rules
    assert result.outcome is Outcome.NOT_RUN
    assert "block" in result.why


def test_the_scale_weighs_long_marks_more() -> None:
    """By hand: sum(m t) / sum(m m) for 9 and 100 marked as 10 and 100 is 10090 / 10081."""
    from lint.measure.lengths import best_scale

    assert best_scale(np.array([9.0, 100.0]), np.array([10.0, 100.0])) == pytest.approx(10090 / 10081)
