"""Rule 20, no true length."""

from corpus.solids import box
from lint.terms import Weight
from tests.sizing import bar, said, ticketed


def test_a_part_without_a_marked_length_is_a_caution_and_one_is_enough() -> None:
    (finding,) = said(ticketed(box((60, 40, 20))), 20)
    assert (finding.case, finding.weight, finding.measured, finding.limit) == ("unmarked", Weight.CAUTION, 0, 1)
    assert not said(ticketed(box((60, 40, 20)), bar(60, 60)), 20)


def test_units_that_would_fit_are_named_and_never_assumed() -> None:
    metres = ticketed(box((0.19, 0.085, 0.03)), '[part]\nbody = "hand"\n', units=None)
    (finding,) = said(metres, 20)
    assert 'write units = "m"' in finding.message
    assert "metres" in finding.message
    assert metres.units is None
    (other,) = said(ticketed(box((0.19, 0.085, 0.03)), '[part]\nbody = "other"\n', units=None), 20)
    assert "units" not in other.message


def test_both_units_are_named_where_two_fit() -> None:
    (finding,) = said(ticketed(box((6.4, 3.6, 2.3)), '[part]\nbody = "ear"\n', units=None), 20)
    assert "centimetres or inches" in finding.message
