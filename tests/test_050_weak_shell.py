"""Rule 50, weak shell: walls of exactly known thickness either side of the limit, sealed, drained and open below."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
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
