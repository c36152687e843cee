"""Gauges of known size are found and measured to a fifth of a percent, and never where there is none."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.load import read
from lint.measure.ball import find_balls
from lint.measure.gauge import find_blocks, snap_ends
from lint.terms import Declined, Part
from tests.gauges import block, cap, part_of, scanned, table, troll
from tests.scans import SCANS, needs_scans

NAMES = sorted(p.name for p in SCANS.iterdir() if p.suffix in (".stl", ".obj", ".ply", ".glb")) if SCANS else []


def loaded(name: str) -> Part:
    assert SCANS is not None
    part = read(SCANS / name)
    return part if isinstance(part, Part) else part[0]


@pytest.mark.parametrize(("noise", "seed", "scale"), [(0.0, 1, 1.0), (0.05, 2, 0.001), (0.1, 3, 1 / 25.4), (0.1, 4, 37.0), (0.3, 5, 1.0)])
def test_a_block_on_a_table_measures_true(noise: float, seed: int, scale: float) -> None:
    found = find_blocks(part_of(scanned(block(), table(), troll(), noise=noise, seed=seed, scale=scale, holes=4, spikes=20)))
    assert len(found) == 2  # its two pairs of sides; its foot is not seen
    for gauge in found:
        assert gauge.length / scale == pytest.approx(40.0, rel=0.002)
        assert np.linalg.norm(gauge.end - gauge.start) == pytest.approx(gauge.length)
        assert gauge.rms / scale == pytest.approx(noise, abs=0.03)
        assert gauge.worst >= gauge.rms
        assert 0.6 < gauge.coverage <= 1.0


def test_a_bar_is_measured_along_and_across() -> None:
    found = find_blocks(part_of(scanned(block((100, 20, 10)), table(), noise=0.1, seed=7)))
    assert [g.length for g in found] == pytest.approx([100.0, 20.0], rel=0.002)


def test_a_block_of_twelve_faces_has_three_lengths() -> None:
    found = find_blocks(part_of(solids.box((40, 10, 20))))
    assert [g.length for g in found] == pytest.approx([40.0, 20.0, 10.0], rel=1e-9)


def test_four_faces_are_enough_and_their_pair_is_the_length() -> None:
    found = find_blocks(part_of(scanned(block(seen=4), table(), noise=0.1, seed=8)))
    assert [g.length for g in found] == pytest.approx([40.0], rel=0.002)


def test_a_bar_whose_end_was_not_seen_is_not_measured_along() -> None:
    vertices, faces = block((40, 100, 30))
    torn = faces[vertices[faces][:, :, 1].min(axis=1) < 100 - 1e-9]
    assert find_blocks(part_of(scanned((vertices, torn), table(), noise=0.1, seed=9))) == []


def skewed(mesh: solids.Mesh, lean: float) -> solids.Mesh:
    vertices = mesh[0].copy()
    vertices[:, 0] += lean * vertices[:, 2]
    return vertices, mesh[1]


@pytest.mark.parametrize(
    "mesh",
    [
        solids.tube(20, 0, 40), solids.tube(20, 0, 40, sides=6), solids.ball(12.5), solids.torus(30, 10),
        skewed(solids.box((40, 40, 40), step=2.0), 0.3), solids.flipped(solids.box((40, 40, 40), step=2.0)),
        solids.joined(table(), troll()), solids.box((200, 100, 1.0), step=4.0),
    ],
    ids=["round", "six sides", "ball", "ring", "leaning", "inside out", "table and troll", "board"],
)  # fmt: skip
def test_no_block_where_there_is_none(mesh: solids.Mesh) -> None:
    assert find_blocks(part_of(mesh)) == []


@pytest.mark.parametrize(
    ("noise", "seed", "scale", "share", "level"),
    [(0.0, 1, 1.0, 0.6, 3), (0.05, 2, 0.001, 0.75, 4), (0.1, 3, 1 / 25.4, 0.6, 3), (0.1, 4, 37.0, 0.9, 4), (0.2, 5, 1.0, 0.6, 4)],
)
def test_a_ball_on_a_table_measures_true(noise: float, seed: int, scale: float, share: float, level: int) -> None:
    mesh = scanned(cap(25, share, level), table(), troll(), noise=noise, seed=seed, scale=scale, holes=4, spikes=20)
    (found,) = find_balls(part_of(mesh))
    assert found.length / scale == pytest.approx(25.0, rel=0.002)
    assert found.coverage == pytest.approx(share, abs=0.12)
    assert found.rms / scale < noise + 0.06


@pytest.mark.parametrize(
    "mesh",
    [
        solids.box((40, 40, 40), step=2.0), solids.tube(12.5, 0, 60), solids.torus(30, 12.5),
        (solids.ball(12.5)[0] * (1.0, 1.0, 0.85), solids.ball(12.5)[1]), solids.flipped(solids.ball(12.5)),
        solids.joined(table(), troll()), cap(25, 0.3),
    ],
    ids=["block", "rod", "ring", "egg", "hollow", "table and troll", "too little of a ball"],
)  # fmt: skip
def test_no_ball_where_there_is_none(mesh: solids.Mesh) -> None:
    assert find_balls(part_of(mesh)) == []


@needs_scans
@pytest.mark.parametrize("name", [n for n in NAMES if n != "mask_hannya.ply"])
def test_no_gauge_is_found_in_scans_without_one(name: str) -> None:
    part = loaded(name)
    if len(part.faces) > 2500:
        pytest.skip("kept for the slow run")
    assert find_blocks(part) == []
    assert find_balls(part) == []


@needs_scans
@pytest.mark.slow
@pytest.mark.parametrize("name", [n for n in NAMES if n != "mask_hannya.ply"])
def test_no_gauge_is_found_in_any_scan_without_one(name: str) -> None:
    part = loaded(name)
    assert find_blocks(part) == []
    assert find_balls(part) == []


def test_picks_near_two_ends_are_moved_onto_them() -> None:
    mesh = scanned(block(), table(), noise=0.1, seed=11)
    found = find_blocks(part_of(mesh))[0]
    along = (found.end - found.start) / found.length
    aside = np.cross(along, [0.3, 0.5, 0.8])
    rng = np.random.default_rng(3)
    for _ in range(4):
        start = found.start + rng.uniform(-1, 1) * along + rng.uniform(-6, 6) * aside
        end = found.end + rng.uniform(-1, 1) * along + rng.uniform(-6, 6) * aside
        snapped = snap_ends(part_of(mesh), start, end)
        assert snapped.length == pytest.approx(40.0, rel=0.002)
        assert np.linalg.norm(snapped.start - start) < 12


def test_picks_on_no_flat_end_are_left_alone() -> None:
    part = part_of(solids.ball(20))
    with pytest.raises(Declined, match="no flat end"):
        snap_ends(part, np.array([-20.0, 0, 0]), np.array([20.0, 0, 0]))
    leaning = part_of(skewed(solids.box((40, 40, 40), step=2.0), 0.2))
    with pytest.raises(Declined):
        snap_ends(leaning, np.array([4.0, 20.0, 20.0]), np.array([24.0, 20.0, 40.0]))
