"""Rule 53, no land: margins of known width either side of what is asked for."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source
from rules.rule_053_no_land import rule


def part_of(mesh: solids.Mesh) -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")


def found(mesh: solids.Mesh, margin: float | None) -> list[Finding]:
    report = examine(part_of(mesh), {53: dataclasses.replace(rule, after=())}, Settings(margin=margin))
    return list(report.findings)


def on_disc(radius: float, height: float = 10.0) -> solids.Mesh:
    return solids.turned([(0.0, 0.0), (radius, 0.0), (radius, height), (20.0, height), (5.0, height + 30), (0.0, height + 30)], 96)


def on_plate(low: tuple[float, float]) -> solids.Mesh:
    """A block of 30 mm on a plate 100 mm square and 8 mm high, its low corner at `low`."""
    return solids.fused(solids.box((100.0, 100.0, 8.0)), solids.box((30.0, 30.0, 40.0), (*low, 0.0)))


@pytest.mark.parametrize(("radius", "count"), [(44.0, 1), (45.1, 0), (60.0, 0)])
def test_either_side_of_25_mm(radius: float, count: int) -> None:
    said = found(on_disc(radius), 25.0)
    assert len(said) == count
    for one in said:
        assert one.measured == pytest.approx(radius - 20.0, abs=0.06)


def test_the_narrowest_side_counts_and_is_shown() -> None:
    (one,) = found(on_plate((35.0, 12.0)), 25.0)
    assert one.measured == pytest.approx(12.0, abs=1e-6)
    assert one.place is not None
    assert one.place.centre[1] == pytest.approx(0.0, abs=1e-6)


def test_a_block_without_any_land_has_none() -> None:
    (one,) = found(solids.box((40.0, 40.0, 40.0)), 10.0)
    assert one.measured == 0.0


def test_without_a_margin_asked_for_it_is_not_run() -> None:
    assert not found(on_disc(30.0), None)
    assert not found(on_disc(30.0), 0.0)


def test_height_and_area_of_the_land() -> None:
    land = Survey(part_of(on_plate((35.0, 35.0)))).get("land")
    assert land.height == pytest.approx(8.0)
    assert land.area == pytest.approx(100.0**2 - 30.0**2)
    assert land.width == pytest.approx(35.0)


def test_a_hole_in_the_base_is_not_its_edge() -> None:
    drilled = solids.cut(on_plate((35.0, 35.0)), solids.box((4.0, 4.0, 10.0), (48.0, 48.0, -5.0)))
    assert Survey(part_of(drilled)).get("land").width == pytest.approx(35.0)
