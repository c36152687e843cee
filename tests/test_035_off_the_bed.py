"""Rule 35 and the fix that goes with it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Declined, Finding, Job, Part, Source, Touch


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("heron.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def said(mesh: solids.Mesh) -> list[Finding]:
    return list(examine(part_of(mesh), {35: all_rules()[35]}, Settings()).findings)


@pytest.mark.parametrize(("z", "case"), [(0.02, "hovers"), (-0.02, "sunk"), (700.0, "hovers"), (-700.0, "sunk")])
def test_off_the_bed_says_by_how_much(z: float, case: str) -> None:
    (finding,) = said(solids.box((40, 40, 40), low=(0, 0, z)))
    assert finding.case == case
    assert finding.measured == pytest.approx(z)
    assert f"{abs(z):.2f} mm" in finding.message


@pytest.mark.parametrize("z", [0.0, 0.009, -0.009])
def test_on_the_bed_is_clean(z: float) -> None:
    assert not said(solids.box((40, 40, 40), low=(-500, 30, z)))


def test_a_point_no_face_uses_does_not_count() -> None:
    vertices, faces = solids.box((40, 40, 40))
    assert not said((np.vstack((vertices, [[0.0, 0.0, -50.0]])), faces))


@pytest.mark.parametrize("z", [3.3, -120.7])
def test_settle_sets_it_down_and_a_second_time_declines(z: float) -> None:
    part = part_of(solids.ball(20, centre=(5, -7, z)))
    mended = mend(part, {35: all_rules()[35]}, {"settle": all_fixes()["settle"]}, Settings(allow=Touch.RECORD))
    (step,) = mended.steps
    assert (step.outcome, step.moved_max, mended.broke) == ("done", 0.0, False)
    assert mended.part.vertices[:, 2].min() == 0.0
    assert not mended.after.findings
    np.testing.assert_array_equal(mended.part.vertices[:, :2], part.vertices[:, :2])
    np.testing.assert_allclose(mended.part.place_points(part.vertices), mended.part.vertices, atol=1e-12)
    again = Job(mended.part, Settings(), (), (), Survey(mended.part))
    make = all_fixes()["settle"].function
    assert make is not None
    with pytest.raises(Declined):
        make(again)
