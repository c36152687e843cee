"""Rule 13: sag against the true round (Pythagoras: s = r - sqrt(r^2 - L^2 / 4)), and edges that are meant."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.settings import Settings
from tests.meshes import cases, part, said


def sags(mesh: solids.Mesh) -> np.ndarray:
    found: np.ndarray = Survey(part(mesh)).get("sags")
    return found


@pytest.mark.parametrize("sides", [12, 24, 64, 128])
def test_a_cylinder_has_the_sag_of_its_chord(sides: int) -> None:
    true = 50 * (1 - np.cos(np.pi / sides))
    found = sags(solids.tube(50, 0, 100, sides=sides))
    assert found.max() == pytest.approx(true, rel=0.04)
    assert (np.isclose(found, found.max()) | (found == 0)).all()


@pytest.mark.parametrize("level", [2, 3, 4])
def test_a_ball_has_the_sag_of_its_facets(level: int) -> None:
    mesh = solids.ball(50, level=level)
    true = 50 - np.linalg.norm(mesh[0][mesh[1]].mean(axis=1), axis=1)
    found = sags(mesh)
    assert (found > 0).all()
    assert found == pytest.approx(true, rel=0.25)


# a quarter of a 0.4 mm nozzle is 0.1 mm; 64 sides sag by 0.1 mm at a radius of 83 mm
@pytest.mark.parametrize(
    ("radius", "nozzle", "spoken"), [(78.0, 0.4, []), (88.0, 0.4, ["coarse"]), (88.0, 0.6, []), (78.0, 0.25, ["coarse"])]
)
def test_either_side_of_a_quarter_nozzle(radius: float, nozzle: float, spoken: list[str]) -> None:
    assert cases(solids.tube(radius, 0, 100, sides=64), 13, Settings(nozzle=nozzle)) == spoken


@pytest.mark.parametrize(
    "mesh",
    [
        solids.box((80, 80, 80)), solids.box((80, 80, 80), step=8), solids.tube(40, 0, 60, sides=6), solids.tube(40, 0, 60, sides=8),
        solids.turned([(0, 0), (40, 0), (40, 60), (32, 68), (0, 68)], 128),
        solids.cut(solids.box((60, 60, 60)), solids.box((30, 30, 80), (15, 15, -5))),
    ],
)  # fmt: skip
def test_flats_bevels_and_sharp_edges_are_meant(mesh: solids.Mesh) -> None:
    assert cases(mesh, 13) == []


def test_finely_drawn_curves_have_no_sag_to_speak_of() -> None:
    assert sags(solids.tube(40, 0, 60, sides=4000)).max() < 1e-3


def test_cutting_flats_into_more_faces_changes_nothing() -> None:
    mesh = solids.tube(50, 0, 100, sides=24)
    finer = solids.halve(*mesh)
    assert sags(finer).max() == pytest.approx(sags(mesh).max(), rel=1e-6)


def test_a_region_and_its_size() -> None:
    (finding,) = said(solids.ball(25, level=2), 13)
    assert finding.fix is None
    assert finding.place is not None
    assert finding.place.reach == pytest.approx(25, rel=0.05)
