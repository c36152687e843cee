"""Rule 23, not life-size: every adult percentile passes, every unit slip is caught, on blocks of tabled size and on real meshes."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.load import read
from lint.measure import Survey, bodysize
from lint.measure.bodysize import LIFE, farthest, life_size, plausible_units
from lint.terms import MM_PER_UNIT, Weight
from lint.ticket import PartTable, Ticket
from tests.gauges import turn
from tests.scans import needs_scans, scan
from tests.sizing import bar, box_with_reach, said, ticketed

TABLE = Path(__file__).resolve().parents[1] / "lint" / "measure" / "body_sizes.csv"
ROWS = {row["dimension"]: row for row in csv.DictReader(TABLE.read_text(encoding="utf-8").splitlines())}

# Bare parts as blocks of three tabled dimensions (ANSUR II); where a third is not tabled, a plain one.
BARE = {
    "ear": ("ear length", "ear breadth", "ear protrusion"),
    "hand": ("hand length", "hand breadth", 28.0),
    "foot": ("foot length", "foot breadth", "ankle height"),
    "head": ("head length", "head breadth", "ear to top of head"),
    "face": ("face length", "face breadth", 90.0),
    "limb": ("forearm and hand", "hand breadth", 70.0),
}


def bare(body: str, percentile: str) -> solids.Mesh:
    return solids.box([d if isinstance(d, float) else float(ROWS[d][percentile]) for d in BARE[body]])


@pytest.mark.parametrize("percentile", ["min", "p1", "p50", "p99", "max"])
@pytest.mark.parametrize("body", BARE)
def test_every_adult_is_life_size_and_every_unit_slip_of_theirs_is_not(body: str, percentile: str) -> None:
    vertices, faces = bare(body, percentile)
    text = f'[part]\nbody = "{body}"\n'
    assert not said(ticketed((vertices, faces), text), 23)
    for factor in (10.0, 25.4, 1000.0, 0.1, 1 / 25.4, 0.001):
        (finding,) = said(ticketed((vertices * factor, faces), text), 23)
        assert finding.case in ("slip", "slips", "odd", "near")
        assert finding.weight is Weight.CAUTION
        if factor in (1 / 25.4, 0.001, 0.1):
            assert {1 / 25.4: "inches", 0.001: "metres", 0.1: "centimetres"}[factor] in finding.message


@pytest.mark.parametrize("body", LIFE)
def test_no_slip_of_ten_can_hide_in_the_room_of_a_body_part(body: str) -> None:
    least, most = life_size(body)
    assert most / least < 10


@pytest.mark.parametrize("body", LIFE)
def test_either_side_of_the_room(body: str) -> None:
    least, most = life_size(body)
    for reach, count in ((least * 1.001, 0), (least * 0.999, 1), (most * 0.999, 0), (most * 1.001, 1)):
        found = said(ticketed(box_with_reach(reach), f'[part]\nbody = "{body}"\n'), 23)
        assert [f.case for f in found] == ["near"] * count
    (far,) = said(ticketed(box_with_reach(least * 0.49), f'[part]\nbody = "{body}"\n'), 23)
    assert far.case in ("odd", "slip", "slips")


def test_the_room_is_the_smallest_and_largest_adult_widened() -> None:
    assert life_size("ear") == pytest.approx((0.9 * 46, 1.1 * 2.5 * 81))  # ANSUR II: 46 to 81 mm
    assert life_size("foot") == pytest.approx((0.9 * 198, 1.1 * 2.2 * 323))


def test_only_one_unit_that_fits_names_the_fix_and_a_marked_length_wins() -> None:
    inches = solids.box((189.5 / 25.4, 85 / 25.4, 28 / 25.4))
    (finding,) = said(ticketed(inches, '[part]\nbody = "hand"\n'), 23)
    assert (finding.case, finding.fix) == ("slip", "resize")
    assert "x25.4" in finding.message
    assert "inches" in finding.message
    (marked,) = said(ticketed(inches, '[part]\nbody = "hand"\n' + bar(1.0, 25.4)), 23)
    assert marked.fix is None
    (either,) = said(ticketed(solids.box((6.4, 3.6, 2.3)), '[part]\nbody = "ear"\n'), 23)
    assert (either.case, either.fix) == ("slips", None)
    assert "x10" in either.message
    assert "x25.4" in either.message


def test_metres_that_are_really_millimetres() -> None:
    (finding,) = said(ticketed(solids.box((190, 85, 28)), '[part]\nbody = "hand"\n', units="m"), 23)
    assert finding.case == "slip"
    assert "millimetres and not metres (x0.001)" in finding.message


def test_the_reach_does_not_hang_on_the_turn_and_hair_does_not_count() -> None:
    rng = np.random.default_rng(4)
    vertices, faces = solids.box((60, 30, 20), step=3.0)
    true = np.sqrt(60**2 + 30**2 + 20**2)
    for _ in range(5):
        assert farthest(vertices @ turn(rng).T + rng.normal(size=3) * 500).length == pytest.approx(true, rel=1e-9)
    assert farthest(rng.normal(size=(2000, 3)) @ np.diag([1, 1, 1.0])).length > 6
    speck = (solids.ball(1, (400, 0, 0), 1)[0], solids.ball(1, level=1)[1])
    assert Survey(ticketed(solids.joined((vertices, faces), speck))).get("body_reach").length == pytest.approx(true)


def test_farthest_is_the_true_diameter_of_random_clouds() -> None:
    rng = np.random.default_rng(9)
    for _ in range(20):
        points = rng.normal(size=(300, 3)) * rng.uniform(0.2, 3, 3)
        every = np.linalg.norm(points[:, None] - points[None], axis=2).max()
        assert farthest(points).length == pytest.approx(every, rel=1e-9)


def test_units_are_suggested_best_first() -> None:
    assert plausible_units("hand", (0.19, 0.085, 0.03)) == ["m"]
    assert plausible_units("ear", (6.4, 3.6, 2.3))[0] == "cm"
    assert plausible_units("other", (1, 1, 1)) == []


REAL = {
    "headform_medium.stl": ("head", "mm"), "head_ears_multishell.obj": ("head", "cm"), "ear_left.stl": ("ear", "mm"),
    "hand_rigged_left.glb": ("hand", "m"), "bust_nefertiti_lowres.obj": ("head", "mm"), "face_mask_open.obj": ("face", "cm"),
    "residual_limb_skin.stl": ("limb", "mm"), "mask_hannya.ply": ("face", "mm"), "head_average_metres.ply": ("head", "m"),
    "ear_crop_open.ply": ("ear", "mm"), "nose_crop_open.ply": ("nose", "mm"), "foot_crop_open.ply": ("foot", "mm"),
}  # fmt: skip


@needs_scans
@pytest.mark.parametrize("name", REAL)
def test_real_parts_are_life_size_in_their_own_units_and_in_no_other(name: str) -> None:
    body, true = REAL[name]
    ticket = Ticket(part=PartTable(body=body))  # type: ignore[arg-type]
    for units in ("mm", "cm", "m", "in"):
        found = said(read(scan(name), ticket, units=units), 23)
        if units == true:
            assert found == []
            continue
        (finding,) = found
        if MM_PER_UNIT[units] / MM_PER_UNIT[true] == 2.54:  # an inch for a centimetre: too near for a unit to be named
            assert finding.case == "near"
        else:
            word = {"mm": "millimetres", "cm": "centimetres", "m": "metres"}[true]
            assert finding.case in ("slip", "slips")
            assert word in finding.message


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_reach_of_many_points_is_that_of_all_of_them(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Points that cannot lie farthest out are passed over by groups; none that can is."""
    rng = np.random.default_rng(seed)
    points = rng.normal(size=(30_011, 3)) * rng.uniform(1, 50, 3) + rng.uniform(-500, 500, 3)
    points = points[np.argsort(points[:, seed % 3])] if seed > 1 else points
    assert len(points) > bodysize.MANY
    said = bodysize.farthest(points)
    monkeypatch.setattr(bodysize, "MANY", len(points))
    every = bodysize.farthest(points)
    assert said.length == every.length
    assert np.array_equal(said.start, every.start)
    assert np.array_equal(said.end, every.end)
