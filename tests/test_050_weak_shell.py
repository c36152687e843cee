"""Rule 50, weak shell: walls of exactly known thickness either side of the limit, sealed, drained and open below."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Mended, Part, Source, Weight
from rules.rule_050_weak_shell import rule


def found(mesh: solids.Mesh, **facts: object) -> list[Finding]:
    part = Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")
    report = examine(part, {50: dataclasses.replace(rule, after=())}, Settings(**facts))  # type: ignore[arg-type]
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


def lidded(lid: float) -> solids.Mesh:
    return solids.joined(solids.box((60.0, 60.0, 60.0)), solids.flipped(solids.box((50.0, 50.0, 55.0 - lid), (5.0, 5.0, 5.0))))


def holed(mesh: solids.Mesh) -> solids.Mesh:
    for x in (15.0, 42.0):
        mesh = solids.cut(mesh, solids.box((4.0, 4.0, 10.0), (x, 28.0, -2.0)))
    return mesh


def bell(wall: float) -> solids.Mesh:
    return solids.cut(solids.box((60.0, 60.0, 60.0)), solids.box((50.0, 50.0, 61.0 - wall), (5.0, 5.0, -1.0)))


@pytest.mark.parametrize("shape", [lidded, lambda t: holed(lidded(t)), bell], ids=["sealed", "drained", "open below"])
@pytest.mark.parametrize(("lid", "count"), [(1.57, 1), (1.61, 0), (3.0, 0)])
def test_either_side_of_four_nozzles(shape: object, lid: float, count: int) -> None:
    said = found(shape(lid))  # type: ignore[operator]
    assert len(said) == count
    for one in said:
        assert one.measured == pytest.approx(lid, abs=1e-6)
        assert one.weight is Weight.STOP
        assert one.place is not None
        assert one.place.centre[2] == pytest.approx(60 - lid / 2, abs=0.01)


@pytest.mark.parametrize(("lid", "count"), [(1.95, 1), (2.01, 0)])
def test_resin_needs_two(lid: float, count: int) -> None:
    assert len(found(lidded(lid), process="resin")) == count


def test_a_wall_asked_for_in_the_ticket_is_a_caution() -> None:
    (one,) = found(lidded(2.5), wall=3.0, set_by={"wall": "the ticket"})
    assert (one.case, one.weight, one.limit) == ("under", Weight.CAUTION, 3.0)
    assert not found(lidded(2.5), wall=3.0, set_by={"wall": "edition 1"})


@pytest.mark.parametrize(
    "mesh",
    [
        solids.box((60.0, 60.0, 1.0)),
        solids.box((60.0, 60.0, 60.0)),
        solids.torus(30.0, 8.0),
        solids.cut(solids.box((60.0, 60.0, 60.0)), solids.box((70.0, 20.0, 58.5), (-5.0, 20.0, -1.0))),
        solids.joined(solids.ball(30.0), solids.flipped(solids.ball(27.0))),
    ],
    ids=["a solid plate (rule 30)", "a cube", "a ring", "a bridge", "a hollow ball of 3 mm"],
)
def test_what_is_no_weak_shell(mesh: solids.Mesh) -> None:
    assert not found(mesh)


def filled_in(mesh: solids.Mesh, **facts: object) -> Mended:
    part = Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")
    rules = {50: dataclasses.replace(rule, after=())}
    fixes = {name: all_fixes()[name] for name in ("fill in", "hollow")}
    return mend(part, rules, fixes, Settings(**facts))  # type: ignore[arg-type]


def test_a_sealed_hollow_behind_a_weak_wall_is_filled_with_what_rattles_in_it() -> None:
    """A scan with a smaller copy of itself inside was refused for its wall: nothing could be done about it."""
    strong = solids.flipped(solids.box((20.0, 20.0, 20.0), (80.0, 20.0, 20.0)))
    beside = solids.joined(solids.box((60.0, 60.0, 60.0), (61.0, 0.0, 0.0)), strong)
    mended = filled_in(solids.joined(lidded(1.2), solids.ball(5.0, (30.0, 30.0, 30.0), level=2), beside))
    (step,) = mended.steps
    assert (step.outcome, step.moved_max, mended.broke) == ("done", 0.0, False), step.why
    assert not mended.after.findings
    assert float(Survey(mended.part).get("volume")) == pytest.approx(60.0**3 + 60.0**3 - 20.0**3)
    assert "134 cm3" in step.why
    assert "hollow it again" in step.cautions[0]


def test_what_is_no_stop_is_sealed_by_no_skin_or_is_to_be_hollow_is_not_filled() -> None:
    assert not filled_in(lidded(2.5), wall=3.0, set_by={"wall": "the ticket"}).steps
    for mended in (filled_in(holed(lidded(1.2))), filled_in(bell(1.2))):
        (step,) = mended.steps
        assert (step.name, step.outcome) == ("fill in", "declined")
        assert "no sealed hollow" in step.why
    step = filled_in(lidded(1.2), steps=("hollow",)).steps[0]
    assert (step.name, step.outcome) == ("fill in", "declined")
    assert "to be hollow" in step.why
