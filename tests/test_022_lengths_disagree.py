"""Rule 22, lengths disagree."""

import pytest

from corpus.solids import box
from lint.terms import Outcome
from tests.sizing import bar, report, said, ticketed

BLOCK = box((100, 100, 20))


@pytest.mark.parametrize("scale", [1.0, 0.5, 0.001])
def test_long_marks_apart_by_more_than_one_percent_are_found_at_any_scale(scale: float) -> None:
    (finding,) = said(ticketed(BLOCK, bar(200 * scale, 200, "along") + bar(306 * scale, 300, "across")), 22)
    assert finding.measured == pytest.approx(2.0)
    assert finding.limit == pytest.approx(1.0)
    assert {name for name, _ in finding.related} == {"along", "across"}
    assert "along" in finding.message
    assert "across" in finding.message
    assert not said(ticketed(BLOCK, bar(200 * scale, 200) + bar(302.9 * scale, 300)), 22)


def test_short_marks_may_err_by_half_a_millimetre_each() -> None:
    """Two marks of 40 mm: sqrt(2) x 0.5 / 40 = 1.77 %."""
    (finding,) = said(ticketed(BLOCK, bar(40, 40) + bar(40.72, 40)), 22)
    assert finding.limit == pytest.approx(100 * 2**0.5 * 0.5 / 40)
    assert not said(ticketed(BLOCK, bar(40, 40) + bar(40.69, 40)), 22)


def test_the_worst_pair_against_its_own_limit_is_named() -> None:
    (finding,) = said(ticketed(BLOCK, bar(20.4, 20, "short") + bar(200, 200, "long") + bar(310, 300, "longest")), 22)
    assert finding.measured == pytest.approx(100 * (310 / 300 - 1))


def test_units_unknown_do_not_matter_and_one_length_cannot_disagree() -> None:
    assert len(said(ticketed(BLOCK, bar(0.2, 200) + bar(0.33, 300), None), 22)) == 1
    (result,) = report(ticketed(BLOCK, bar(40, 40)), 22).rules
    assert result.outcome is Outcome.NOT_RUN
