"""Rule 2 and weld: cracks either side of the limit, slits that are none, and what welding must not do."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.settings import Settings, Tuning
from tests.meshes import cases, mended, said, soup


def cracked(gap: float, size: float = 100.0) -> solids.Mesh:
    """A block cut round its middle, the upper half raised by the gap."""
    vertices, faces = solids.box((size, size, size), step=size / 10)
    upper = vertices[faces].mean(axis=1)[:, 2] > size / 2
    raised = vertices.copy()
    raised[raised[:, 2] > size / 2 - 1e-6, 2] += gap
    return solids.joined((vertices, faces[~upper]), (raised, faces[upper]))


# diagonal 173.2 mm: the share of it is 0.0173 mm, under the cap of 0.05 mm
@pytest.mark.parametrize(("gap", "spoken"), [(1e-3, ["crack"]), (0.017, ["crack"]), (0.018, []), (0.2, [])])
def test_either_side_of_the_share(gap: float, spoken: list[str]) -> None:
    assert cases(cracked(gap), 2) == spoken


def test_the_cap_in_mm_holds_only_where_units_are_known() -> None:
    assert cases(cracked(0.06, 1000.0), 2) == []
    assert cases(cracked(0.049, 1000.0), 2) == ["crack"]
    assert cases(cracked(0.06, 1000.0), 2, units=None) == ["crack"]


def test_the_limit_can_be_tuned() -> None:
    settings = Settings(tuning={2: Tuning("an old scanner", {"gap": 0.3, "share": 0.01})})
    assert cases(cracked(0.1), 2, settings) == ["crack"]
    done = mended(cracked(0.1), "weld", settings=settings)
    assert not [f for f in done.after.findings if f.rule in (2, 4)]


def test_what_is_measured() -> None:
    (finding,) = said(cracked(0.004), 2)
    assert finding.measured == pytest.approx(0.004, rel=1e-6)
    assert finding.limit == pytest.approx(1e-4 * 173.207, rel=1e-4)
    assert "400 mm long" in finding.message
    assert finding.place is not None
    assert finding.place.centre == pytest.approx((50, 50, 50), abs=0.01)


def test_points_that_agree_exactly_are_no_crack() -> None:
    assert cases(soup(solids.box((30, 30, 30), step=5)), 2) == []


def test_a_true_slit_between_like_edges_stays() -> None:
    """Two sheets side by side whose rims run the same way bound different skins: nothing joins them."""
    sheet = np.array([[0, 0, 0], [10, 0, 0], [10, 10, 0], [0, 10, 0.0]]), np.array([[0, 1, 2], [0, 2, 3]])
    above = sheet[0] + [0, 0, 0.0005], sheet[1]
    assert cases(solids.joined(sheet, above), 2) == []


def test_welding_closes_the_crack_and_moves_half_of_it() -> None:
    done = mended(cracked(0.01), "weld")
    (step,) = done.steps
    assert step.outcome == "done"
    assert step.moved_max == pytest.approx(0.005, rel=1e-3)
    assert not done.after.findings
    assert len(done.part.faces) == len(cracked(0.01)[1])


def test_a_shattered_skin_is_one_crack_and_comes_together() -> None:
    rng = np.random.default_rng(2)
    vertices, faces = soup(solids.ball(40, level=3))
    done = mended((vertices + rng.uniform(-0.001, 0.001, vertices.shape), faces), "weld")
    assert [f.case for f in done.before.findings if f.rule == 2] == ["crack"]
    assert not [f for f in done.after.findings if f.rule in (2, 4, 5, 6, 7, 8)]
    assert len(done.part.vertices) == 642


def test_a_join_that_would_crowd_an_edge_is_left_out() -> None:
    """Three sheets that meet in a line, each with a rim of its own there: two may be joined, not three."""
    base = np.array([[0, 0, 0], [0, 50, 0], [40, 25, 0.0]])

    def sheet(angle: float, off: float, way: int) -> solids.Mesh:
        turn = np.array([[np.cos(angle), 0, -np.sin(angle)], [0, 1, 0], [np.sin(angle), 0, np.cos(angle)]])
        return base @ turn.T + [0, 0, off], np.array([[0, 1, 2][::way]])

    fan = solids.joined(sheet(0, 0, 1), sheet(2.1, 0.001, -1), sheet(4.2, 0.002, -1))
    done = mended(fan, "weld")
    assert not [f for f in done.after.findings if f.rule == 5]


def test_fine_faces_are_never_folded() -> None:
    """A crack between edges shorter than twice its width is left: welding it would fold their faces."""
    vertices, faces = cracked(0.0008, 0.01)  # edges of 0.001 mm, the gap within the share of a part of half a metre
    far = np.array([[0, 0, 500.0], [50, 0, 500], [0, 50, 500]]), np.array([[0, 1, 2]])
    assert cases(solids.joined((vertices, faces), far), 2) == []
    wider, faces = cracked(0.0008, 0.1)  # edges of 0.01 mm
    assert cases(solids.joined((wider, faces), far), 2) == ["crack"]
