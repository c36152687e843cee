"""Rule 33 on solids with known low points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.measure import Survey
from lint.measure.layers import mid_air_starts
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("heron.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def said(mesh: solids.Mesh, **facts: object) -> list[Finding]:
    report = examine(part_of(mesh), {33: all_rules()[33]}, Settings(**facts))  # type: ignore[arg-type]
    assert not [r for r in report.rules if r.outcome.value in ("broke", "not run")], report.rules
    return list(report.findings)


def lantern(down: float) -> solids.Mesh:
    arm = solids.fused(solids.box((30, 40, 10), low=(0, 0, 50)), solids.box((8, 8, down + 5), low=(11, 25, 50 - down)))
    return solids.fused(solids.box((30, 10, 60)), arm)


@pytest.mark.parametrize("cuts", [0, 1, 3])
@pytest.mark.parametrize("down", [0.6, 5.0, 25.0])
def test_what_hangs_down_begins_in_the_air(down: float, cuts: int) -> None:
    mesh = lantern(down)
    for _ in range(cuts):
        mesh = solids.halve(*mesh)
    (finding,) = said(mesh)
    assert finding.case == "begins"
    assert finding.measured == pytest.approx(down, abs=1e-6)
    assert f"{50 - down:.1f} mm up" in finding.message
    assert finding.place is not None
    assert finding.place.centre == pytest.approx((15, 29, 50 - down), abs=0.5)


def test_a_dip_that_strands_carry_is_clean() -> None:
    assert not said(lantern(0.4))
    assert said(lantern(0.6))
    assert not said(lantern(0.6), layer=0.35)


def test_a_loose_piece_in_the_air_never_joins() -> None:
    (finding,) = said(solids.joined(solids.box((40, 40, 10)), solids.ball(6, centre=(20, 20, 30))))
    assert finding.case == "never joins"
    assert finding.measured == pytest.approx(12, abs=0.2)


def test_two_fingers_are_two_and_the_longer_comes_first() -> None:
    arm = solids.fused(solids.box((10, 60, 10), low=(0, 0, 50)), solids.box((6, 6, 30), low=(2, 20, 25)))
    arm = solids.fused(arm, solids.box((6, 6, 20), low=(2, 40, 40)))
    found = said(solids.fused(solids.box((10, 10, 60)), arm))
    assert sorted(f.measured for f in found) == pytest.approx([10, 25])


def test_an_arch_begins_on_the_bed_at_both_feet() -> None:
    """Its second foot is a low point too, but it stands on the bed."""
    assert not said(solids.cut(solids.box((60, 20, 30)), solids.box((40, 22, 20), low=(10, -1, -1))))


def test_a_foot_that_is_a_little_short_begins_in_the_air() -> None:
    arch = solids.cut(solids.box((60, 20, 30)), solids.box((40, 22, 20), low=(10, -1, -1)))
    short = solids.cut(arch, solids.box((20, 22, 4), low=(45, -1, -1)))
    (finding,) = said(short)
    assert finding.measured == pytest.approx(19 - 3)


@pytest.mark.parametrize(
    ("name", "mesh"),
    [
        ("a ball on the bed", solids.ball(20, centre=(0, 0, 20))),
        ("a block off the bed", solids.box((40, 40, 40), low=(0, 0, 300), step=7)),
        ("a pit in the top", solids.cut(solids.box((40, 40, 20)), solids.box((10, 10, 10), low=(15, 15, 12)))),
        ("a hollow ball inside a block", solids.joined(solids.box((40, 40, 40)), solids.flipped(solids.ball(10, centre=(20, 20, 20))))),
        ("a ledge", solids.fused(solids.box((20, 20, 40)), solids.box((40, 20, 10), low=(0, 0, 30)))),
        ("a hat on a stem", solids.turned([(0, 0), (4, 0), (4, 20), (20, 20), (20, 30), (0, 30)])),
    ],
)
def test_what_grows_out_of_what_is_there_is_clean(name: str, mesh: solids.Mesh) -> None:
    assert not said(mesh), name


def test_the_same_as_a_slow_reckoning_by_levels() -> None:
    """Against a plain union of points from the lowest up, edge by edge, on a rough solid (every dip deeper than 1 mm)."""
    rng = np.random.default_rng(5)
    vertices, faces = solids.ball(30, level=4)
    vertices = vertices * (1 + 0.08 * rng.standard_normal((len(vertices), 1)))
    survey = Survey(part_of((vertices, faces)))
    skin, basins, extent = (survey.get(n) for n in ("skin", "basins", "extent"))
    fast = sorted(round(s.depth, 9) for s in mid_air_starts(skin, basins, extent, 1.0))

    z = skin.vertices[:, 2]
    normal = survey.get("facets").normal[:, 2] * survey.get("facets").area
    lean = np.bincount(skin.faces.ravel(), weights=np.repeat(normal, 3), minlength=len(z))
    near: list[list[int]] = [[] for _ in z]
    for a, b in survey.get("edges").ends.tolist():
        near[a].append(b)
        near[b].append(a)
    leader = list(range(len(z)))

    def lead(i: int) -> int:
        while leader[i] != i:
            i = leader[i]
        return i

    seen = np.zeros(len(z), dtype=bool)
    slow: list[float] = []
    for i in np.argsort(z).tolist():
        seen[i] = True
        pieces = sorted({lead(j) for j in near[i] if seen[j]}, key=lambda j: z[j])
        for piece in pieces[1:]:
            if lean[piece] < 0 and z[i] - z[piece] >= 1.0 and z[piece] > z.min() + 0.1:
                slow.append(round(float(z[i] - z[piece]), 9))
            leader[piece] = pieces[0]
        if pieces:
            leader[i] = pieces[0]
    assert len(slow) > 10
    assert fast == sorted(slow)
