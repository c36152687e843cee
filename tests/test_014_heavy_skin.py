"""Rule 14 and thin out: fine and many, not one of them; and the skin kept where it was."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.settings import Settings
from tests.meshes import cases, mended, said

FINE = solids.box((8, 8, 8), step=0.08)  # 120,000 faces


def test_fine_and_many_is_heavy() -> None:
    (finding,) = said(FINE, 14)
    assert finding.measured == pytest.approx(0.08, rel=1e-6)
    assert "120000 faces" in finding.message


@pytest.mark.parametrize(
    ("size", "step", "nozzle", "spoken"), [(8, 0.08, 0.4, ["heavy"]), (8, 0.08, 0.15, []), (25, 0.25, 0.4, []), (4, 0.08, 0.4, [])]
)
def test_either_side_of_both_limits(size: float, step: float, nozzle: float, spoken: list[str]) -> None:
    assert cases(solids.box((size, size, size), step=step), 14, Settings(nozzle=nozzle)) == spoken


def test_thinning_is_for_the_asking() -> None:
    assert mended(solids.box((8, 8, 8), step=0.08), "thin out", numbers=(1, 14)).steps == ()


def test_thinned_skin_stays_within_what_is_said() -> None:
    import igl

    mesh = solids.ball(8, level=6)
    done = mended(mesh, "thin out", settings=Settings(steps=("thin out",)), numbers=(1, 4, 5, 6, 7, 8, 14))
    (step,) = done.steps
    assert step.outcome == "done"
    assert not done.after.findings
    assert len(done.part.faces) < 0.3 * len(mesh[1])
    squared = igl.point_mesh_squared_distance(mesh[0], done.part.vertices.copy(), done.part.faces.copy())[0]
    assert np.sqrt(squared.max()) <= 0.04
    assert step.moved_max is not None
    assert step.moved_max <= 0.04


def test_a_block_comes_down_to_its_corners() -> None:
    done = mended(FINE, "thin out", settings=Settings(steps=("thin out",)), numbers=(1, 4, 5, 7, 8, 14))
    assert len(done.part.faces) == 12


def test_an_open_skin_is_declined() -> None:
    open_ball = solids.ball(8, level=6)[0], solids.ball(8, level=6)[1][1:]
    done = mended(open_ball, "thin out", settings=Settings(steps=("thin out",)), numbers=(1, 14))
    assert [s.outcome for s in done.steps] == ["declined"]
    assert "close it or seat it" in done.steps[0].why
