"""Resize: true afterwards, once, and never on a guess."""

import numpy as np
import pytest

from corpus.solids import box
from lint.load import read
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.settings import gather
from lint.terms import Mended, Part
from lint.ticket import Length, PartTable, Ticket
from tests.scans import needs_scans, scan
from tests.sizing import bar, report, ticketed

RULES = {n: all_rules()[n] for n in (1, 20, 21, 22, 23)}


def resized(part: Part) -> Mended:
    return mend(part, RULES, {"resize": all_fixes()["resize"]}, gather(part.ticket, flags={"steps": ("resize",)}))


def outcome(mended: Mended) -> str:
    return mended.steps[0].outcome if mended.steps else ""


@pytest.mark.parametrize("units", ["mm", "m", None])
def test_a_marked_length_comes_true_and_a_second_time_changes_nothing(units: str | None) -> None:
    own = {"mm": 1.0, "m": 0.001, None: 0.0254}[units]
    vertices, faces = box((97 * own, 40 * own, 20 * own))
    marks_of = f"[[length]]\nfrom = {[5 * own] * 3}\nto = {[102 * own, 5 * own, 5 * own]}\ntrue = 100.0\n"
    part = ticketed((vertices + 5 * own, faces), marks_of, units)
    mended = resized(part)
    assert outcome(mended) == "done"
    after = mended.part
    assert np.ptp(after.vertices, axis=0) == pytest.approx([100, 4000 / 97, 2000 / 97])
    marks = after.place_points([part.ticket.length[0].from_, part.ticket.length[0].to])
    assert np.linalg.norm(marks[1] - marks[0]) == pytest.approx(100)
    assert after.units == (units or "mm")
    assert after.units_from == ("the ticket" if units else "a marked length")
    assert not report(after, 21).findings
    again = resized(after)
    assert outcome(again) == "declined"
    assert "true already" in again.steps[0].why
    assert np.array_equal(again.part.vertices, after.vertices)


def test_numbers_that_are_millimetres_only_need_saying_so() -> None:
    mended = resized(ticketed(box((100, 40, 20)), bar(100, 100), None))
    assert outcome(mended) == "done"
    assert mended.part.units == "mm"
    assert np.ptp(mended.part.vertices, axis=0) == pytest.approx([100, 40, 20])


def test_two_lengths_are_weighed_and_disagreeing_ones_refused() -> None:
    mended = resized(ticketed(box((100, 100, 20)), bar(96.5, 100) + bar(194, 200)))
    assert outcome(mended) == "done"
    assert mended.part.placement[0, 0] == pytest.approx((96.5 * 100 + 194 * 200) / (96.5**2 + 194**2))
    refused = resized(ticketed(box((100, 100, 20)), bar(96, 100) + bar(200, 200)))
    assert outcome(refused) == "declined"
    assert "disagree by 4.2 %" in refused.steps[0].why


def test_by_the_one_unit_that_fits() -> None:
    mended = resized(ticketed(box((189.5 / 25.4, 85 / 25.4, 28 / 25.4)), '[part]\nbody = "hand"\n'))
    assert outcome(mended) == "done"
    assert np.ptp(mended.part.vertices, axis=0) == pytest.approx([189.5, 85, 28])
    assert not [f for f in mended.after.findings if f.rule == 23]
    assert outcome(resized(mended.part)) == "declined"


@pytest.mark.parametrize(
    ("mesh", "text", "units", "why"),
    [
        (box((6.4, 3.6, 2.3)), '[part]\nbody = "ear"\n', "mm", "not exactly one unit"),
        (box((0.19, 0.085, 0.03)), '[part]\nbody = "hand"\n', None, "as metres it would be life-size"),
        (box((190, 85, 30)), '[part]\nbody = "hand"\n', "mm", "life-size as it is"),
        (box((190, 85, 30)), "", "mm", "no marked length"),
    ],
)
def test_what_it_will_not_do(mesh: tuple[np.ndarray, np.ndarray], text: str, units: str | None, why: str) -> None:
    mended = resized(ticketed(mesh, text, units))
    assert outcome(mended) == "declined"
    assert why in mended.steps[0].why


def test_the_plain_command_resizes_for_a_stop_and_not_for_a_clean_part() -> None:
    plain = mend(ticketed(box((97, 40, 20)), bar(97, 100)), RULES, {"resize": all_fixes()["resize"]}, gather(Ticket()))
    assert [s.outcome for s in plain.steps] == ["done"]
    clean = mend(ticketed(box((97, 40, 20)), bar(97, 97.2)), RULES, {"resize": all_fixes()["resize"]}, gather(Ticket()))
    assert clean.steps == ()


@needs_scans
def test_a_head_in_metres_without_a_unit_comes_true_by_one_length() -> None:
    ticket = Ticket(part=PartTable(body="head"))
    part = read(scan("head_average_metres.ply"), ticket)
    low, high = part.vertices.min(axis=0), part.vertices.max(axis=0)
    ends = part.vertices[[part.vertices[:, 1].argmin(), part.vertices[:, 1].argmax()]]
    true = 1000 * float(np.linalg.norm(ends[1] - ends[0]))
    ticket = Ticket(part=PartTable(body="head"), length=[Length(tuple(ends[0].tolist()), tuple(ends[1].tolist()), true)])
    mended = resized(read(scan("head_average_metres.ply"), ticket))
    assert outcome(mended) == "done"
    assert np.ptp(mended.part.vertices, axis=0) == pytest.approx(1000 * (high - low))
    assert not [f for f in mended.after.findings if f.rule in (21, 23)]
