"""The sweep: its judges know good from bad, and a short seeded run comes out with nothing wrong. The long one is behind `slow`."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from tests.scans import SCANS, needs_scans
from tests.sweep import Case
from tests.sweep.judges import crossing_pairs, flat_below, pieces_of, skin_moved
from tests.sweep.run import Bounds, as_found, judged, planted
from tests.sweep.tickets import LONGEST, body_of, ticket_for
from tests.sweep.variants import PLANTERS, vary
from tests.sweep.walls import least_walls

STILL = {"placement": np.eye(4).tolist(), "steps": []}


def test_the_judge_of_crossings_counts_them() -> None:
    ball = solids.ball(10, level=3)
    assert not len(crossing_pairs(ball))
    assert not len(crossing_pairs(solids.box((10, 10, 10), step=1)))
    through = solids.joined(ball, solids.ball(10, (9.1, 0.2, 0.3), level=3))
    assert len(crossing_pairs(through)) > 50
    spiked = (ball[0].copy(), ball[1])
    spiked[0][0] = -1.3 * spiked[0][0]
    assert len(crossing_pairs(spiked)) > 3
    doubled = solids.joined(solids.box((10, 10, 10)), solids.box((4, 4, 4), low=(2, 3, 10)))  # lies on it: touches all over a face
    assert len(crossing_pairs(doubled))


def test_the_measure_of_the_skin_knows_a_move_and_a_zone() -> None:
    ball = solids.ball(20, level=4)
    grown = (ball[0] * 1.01, ball[1])
    distance, share = skin_moved(ball, ball, grown, STILL)
    assert share == 1.0
    assert np.median(distance) == pytest.approx(0.2, abs=0.02)
    zone = {"kind": "under", "points": [[0, 0, 0], [0, 0, 1.0]], "size": 0.0, "chain": False, "why": ""}
    half, share = skin_moved(ball, ball, grown, {**STILL, "steps": [{"outcome": "done", "zones": [zone]}]})
    assert share == pytest.approx(0.5, abs=0.03)
    assert len(half) == pytest.approx(len(distance) / 2, rel=0.05)
    hidden = solids.joined(ball, solids.ball(5, level=3))  # what nobody sees is not asked
    distance, _ = skin_moved(hidden, hidden, ball, STILL)
    assert distance.max() < 1e-6


def test_flat_and_pieces() -> None:
    box = solids.box((10, 20, 5))
    assert flat_below(box) == pytest.approx(200)
    assert flat_below(solids.ball(10, level=3)) == 0
    assert pieces_of(solids.joined(box, solids.box((10, 20, 5), low=(30, 0, 0)), solids.box((0.5, 0.5, 0.5), low=(0, 40, 0)))) == 2


def test_a_standard_ticket() -> None:
    mesh = solids.box((1, 2, 4))
    text, assumed = ticket_for(mesh, "ear", "?")
    assert assumed
    assert "true = " in text
    assert str(LONGEST["ear"])[:2] in assumed
    assert 'units = "cm"' in ticket_for(mesh, "ear", "cm (about)")[0]
    assert body_of("scan_7.ply", "left hand, closed") == "hand"
    assert body_of("scan_7.ply", "average whole body with face, ears") == "other"


@pytest.mark.parametrize("kind", [*PLANTERS, "mixed"])
def test_every_planter_leaves_true_skin_to_ask(kind: str) -> None:
    mesh = solids.ball(30, level=4)
    variant = vary(mesh, np.random.default_rng(4), kind)
    assert len(variant.truth[1]) > 0.3 * len(mesh[1])
    assert variant.planted.startswith(kind)
    assert kind in ("unchanged", "cropped") or not np.array_equal(variant.mesh[1], mesh[1]) or not np.array_equal(variant.mesh[0], mesh[0])


def test_the_wall_is_measured_from_the_cavity() -> None:
    walls = least_walls(solids.joined(solids.ball(20, level=4), solids.flipped(solids.ball(16, (0.5, 0, 0), level=4))), [])
    assert walls.points > 1000
    for measured in (walls.rays, walls.balls, walls.nearest):
        assert measured == pytest.approx(3.5, abs=0.03)
    assert least_walls(solids.ball(20, level=3), []).points == 0


def troll(seed: int, kind: str) -> Case:
    """A lump of a troll's nose on a foot, with one planted fault."""
    lump = solids.fused(solids.ball(16, (0, 0, 22), level=3), solids.tube(14, 0, 12, sides=40))
    lump = solids.fused(lump, solids.ball(6, (12, 3, 22), level=3))
    variant = vary(lump, np.random.default_rng(seed), kind)
    ticket, _ = ticket_for(variant.mesh, "other", "mm", ("seat",))
    return Case(f"troll {seed}", ticket, variant.mesh, "a.ply", variant.truth, variant.planted)


@pytest.mark.parametrize(("seed", "kind"), [(1, "holes"), (2, "fins")])
def test_a_short_run_has_nothing_wrong(seed: int, kind: str, tmp_path: Path) -> None:
    verdict = judged(troll(seed, kind), Bounds(120, 8))
    assert verdict.outcome in ("fixed", "refused"), verdict.why
    assert verdict.outcome == "fixed" or verdict.why


def test_bad_work_is_called_wrong(tmp_path: Path) -> None:
    late = judged(troll(1, "holes"), Bounds(0, 8))
    assert (late.outcome, "over" in late.why) == ("wrong", True)
    cramped = judged(troll(1, "holes"), Bounds(120, 0.05))
    assert cramped.outcome == "wrong"


@pytest.mark.slow
@needs_scans
@pytest.mark.parametrize("seed", range(40))
def test_a_long_run_has_nothing_wrong(seed: int) -> None:
    assert SCANS is not None
    *_, case = planted(SCANS, 1 + seed, 11, ("seat",), faces=2000)
    verdict = judged(case, Bounds(900, 8))
    assert verdict.outcome != "wrong", f"{verdict.planted}: {verdict.why}"


@pytest.mark.slow
@needs_scans
def test_every_scan_as_it_is() -> None:
    assert SCANS is not None
    wrong = [v for v in (judged(case, Bounds(1800, 8)) for case in as_found(SCANS)) if v.outcome == "wrong"]
    assert not wrong, [(v.name, v.why) for v in wrong]
