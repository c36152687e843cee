"""Rule 24, too big for the bed: exact over every turn about the vertical."""

import numpy as np
import pytest

from corpus.solids import ball, box
from lint.measure.bed import lies, outermost, outline
from lint.terms import Weight
from tests.sizing import said, ticketed


def found(mesh: tuple[np.ndarray, np.ndarray], bed: str = "[220.0, 220.0, 250.0]") -> list[tuple[str, float, float | None]]:
    return [(f.case, f.measured, f.limit) for f in said(ticketed(mesh, f"[print]\nbed = {bed}\n"), 24)]


@pytest.mark.parametrize(("long", "count"), [(290.9, 0), (291.4, 1)])
def test_a_bar_across_the_corners(long: float, count: int) -> None:
    """A bar of L x 20 mm turned by 45 degrees takes (L + 20) / sqrt(2): 220 mm at L = 291.13."""
    said_of = found(box((long, 20, 10)))
    assert len(said_of) == count
    if count:
        assert said_of[0] == ("wide", pytest.approx((long + 20) / 2**0.5), 220)


def test_spun_it_says_the_same_and_at_the_very_size_it_fits() -> None:
    vertices, faces = box((220, 220, 250))
    for degrees in (0, 12, 45, 89):
        a = np.radians(degrees)
        spin = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1]])
        assert found((vertices @ spin.T, faces)) == []
        assert {c for c, *_ in found(((vertices * 1.001) @ spin.T, faces))} == {"wide", "tall"}


def test_a_long_bed_takes_a_long_part_turned_by_a_quarter() -> None:
    assert found(box((100, 290, 50)), "[300.0, 120.0, 200.0]") == []
    assert found(box((130, 290, 50)), "[300.0, 120.0, 200.0]") == [("wide", pytest.approx(130), 120)]


def test_too_tall_is_its_own_finding_and_names_a_turn_that_the_outline_needs() -> None:
    (finding,) = said(ticketed(box((100, 290, 201)), "[print]\nbed = [300.0, 120.0, 200.0]\n"), 24)
    assert (finding.case, finding.measured, finding.limit, finding.weight) == ("tall", pytest.approx(201), 200, Weight.STOP)
    turned = int(finding.message.split("turned by ")[1].split(" ")[0])
    assert 80 <= abs(turned) <= 90  # by hand: 290 cos t + 100 sin t <= 300 and 290 sin(90 - t) ... fits from about 86 degrees


@pytest.mark.parametrize("seed", range(6))
def test_against_a_fine_search_over_turns(seed: int) -> None:
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(int(rng.integers(2, 40)), 2)) * rng.uniform(1, 100, 2)
    bed = (float(rng.uniform(10, 300)), float(rng.uniform(10, 300)))
    best, least = lies(outline(points), bed)
    turn = np.linspace(-np.pi / 2, np.pi / 2, 20_001)
    width = np.ptp(np.outer(np.cos(turn), points[:, 0]) - np.outer(np.sin(turn), points[:, 1]), axis=1)
    depth = np.ptp(np.outer(np.sin(turn), points[:, 0]) + np.outer(np.cos(turn), points[:, 1]), axis=1)
    over = np.maximum(width - bed[0], depth - bed[1])
    assert over.min() - 0.1 <= best.over <= over.min() + 1e-9
    fits = np.abs(np.degrees(turn[over <= 0]))
    assert (least is None) == (len(fits) == 0)
    if least is not None:
        assert fits.min() - 0.02 <= abs(least.turn) <= fits.min() + 1e-6


def test_a_round_part_and_one_without_width() -> None:
    assert found(ball(109.9)) == []
    assert [c for c, *_ in found(ball(110.5))] == ["wide"]
    assert lies(outline(np.array([[0.0, 0.0], [300.0, 0.0]])), (220.0, 220.0))[0].width == pytest.approx(300 / 2**0.5)


@pytest.mark.parametrize("kind", ["cloud", "square", "lattice", "line", "spot"])
def test_no_corner_of_an_outline_is_left_out_of_very_many_points(kind: str) -> None:
    rng = np.random.default_rng(4)
    points = {
        "cloud": rng.normal(0, 20, (60_000, 2)),
        "square": rng.uniform(0, 1, (60_000, 2)) + 1e4,
        "lattice": np.round(rng.uniform(0, 30, (60_000, 2))),
        "line": np.outer(rng.uniform(0, 1, 60_000), (3.0, 1.0)),
        "spot": np.zeros((60_000, 2)),
    }[kind]
    kept = outermost(points)
    for turn in np.linspace(0, 2 * np.pi, 500):
        way = np.array((np.cos(turn), np.sin(turn)))
        assert (kept @ way).max() == (points @ way).max()
    assert kind in ("lattice", "line", "spot") or len(kept) < 2_000
