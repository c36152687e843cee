"""Rule 7 and turn: patches turned over, one-sided bands, and agreement with libigl's breadth-first orientation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from corpus import solids
from lint.measure import Survey
from tests.meshes import cases, mended, part, said, soup
from tests.scans import needs_scans, scan

CUBE = solids.box((50, 50, 50), step=10)


def turned(mesh: solids.Mesh, which: np.ndarray) -> solids.Mesh:
    faces = mesh[1].copy()
    faces[which] = faces[which][:, ::-1]
    return mesh[0], faces


def band(twists: int, steps: int = 60) -> solids.Mesh:
    """A strip of 10 mm bent into a ring of 30 mm, with so many half turns."""
    angle = 2 * np.pi * np.arange(steps) / steps
    lean = twists * angle / 2
    out = np.stack((np.cos(angle), np.sin(angle), np.zeros(steps)), axis=1)
    across = np.cos(lean)[:, None] * [0, 0, 1.0] + np.sin(lean)[:, None] * out
    points = np.vstack((30 * out - 5 * across, 30 * out + 5 * across))
    i = np.arange(steps)
    j = (i + 1) % steps
    last = i == steps - 1
    crossed = last & (twists % 2 == 1)
    low, high = np.where(crossed, j + steps, j), np.where(crossed, j, j + steps)
    return points, np.vstack((np.stack((i, low, high), axis=1), np.stack((i, high, i + steps), axis=1)))


def test_sound_skins_agree() -> None:
    assert cases(CUBE, 7) == []
    assert cases(soup(CUBE), 7) == []
    assert cases(solids.flipped(CUBE), 7) == []


def test_each_patch_is_one_finding_with_its_area() -> None:
    c = CUBE[0][CUBE[1]].mean(axis=1)
    one = (abs(c - [25, 25, 50]) < [5, 5, 0.1]).all(axis=1)
    two = (abs(c - [0, 15, 25]) < [0.1, 5, 15]).all(axis=1)
    found = said(turned(CUBE, one | two), 7)
    assert [f.measured for f in found] == pytest.approx([300, 100])
    assert {f.case for f in found} == {"turned over"}


def test_the_smaller_side_by_area_is_named() -> None:
    """One large face against many small ones: the many small are the smaller side."""
    vertices, faces = solids.tube(30, 0, 5, sides=64)
    rim = abs((vertices[faces].max(axis=1) - vertices[faces].min(axis=1))[:, 2]) > 1
    (finding,) = said(turned((vertices, faces), rim), 7)
    assert finding.measured == pytest.approx(64 * 2 * 30 * np.sin(np.pi / 64) * 5, rel=1e-9)


def test_turn_makes_all_agree_and_closed_shells_face_out() -> None:
    rng = np.random.default_rng(7)
    done = mended(turned(CUBE, rng.random(len(CUBE[1])) < 0.7), "turn")
    assert not done.after.findings
    assert float(Survey(done.part).get("volume")) == pytest.approx(125000)
    assert np.array_equal(done.part.vertices, CUBE[0])


def test_equal_sides_are_decided_by_volume() -> None:
    half = CUBE[0][CUBE[1]].mean(axis=1)[:, 2] > 25
    assert cases(turned(CUBE, half), 7) == ["turned over"]
    done = mended(turned(CUBE, half), "turn")
    assert float(Survey(done.part).get("volume")) == pytest.approx(125000)


def test_an_open_sheet_keeps_the_side_of_its_larger_part() -> None:
    """A face mask turned to look in is not turned back: an open sheet has no volume to tell by."""
    top = (CUBE[0][CUBE[1]][:, :, 2] > 49).all(axis=1)
    bowl = CUBE[0] + [0, 0, 1e4], CUBE[1][~top][:, ::-1].copy()
    few = np.arange(len(bowl[1])) < 5
    done = mended(turned(bowl, few), "turn", numbers=(1, 7, 8))
    assert not done.after.findings
    assert {tuple(np.roll(f, -int(np.argmin(f)))) for f in done.part.faces} == {tuple(np.roll(f, -int(np.argmin(f)))) for f in bowl[1]}


@pytest.mark.parametrize(("twists", "spoken"), [(0, []), (1, ["one-sided"]), (2, []), (3, ["one-sided"])])
def test_bands(twists: int, spoken: list[str]) -> None:
    assert cases(band(twists), 7) == spoken


def test_a_one_sided_band_cannot_be_turned_and_it_is_said() -> None:
    done = mended(band(1), "turn", numbers=(1, 7, 8))
    assert [s.outcome for s in done.steps] == []  # its finding asks for a rewrap, so turn is not even called
    both = solids.joined(band(1), (CUBE[0] + [200.0, 0, 0], turned(CUBE, np.arange(len(CUBE[1])) < 3)[1]))
    done = mended(both, "turn", numbers=(1, 7, 8))
    assert [s.outcome for s in done.steps] == ["done"]
    assert [f.case for f in done.after.findings] == ["one-sided"]


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), share=st.floats(0.01, 0.99))
def test_libigl_agrees_on_what_belongs_together(seed: int, share: float) -> None:
    """Faces turned at random: our two sides and libigl's breadth-first orientation make the same pairs of neighbours agree."""
    import igl

    rng = np.random.default_rng(seed)
    vertices, faces = turned(solids.torus(30, 8, 12, 8), rng.random(192) < share)
    survey = Survey(part((vertices, faces)))
    against = survey.get("winding").against
    ours = faces.copy()
    ours[against] = ours[against][:, ::-1]
    theirs = np.asarray(igl.bfs_orient(np.ascontiguousarray(faces))[0])
    same = (np.sort(theirs, axis=1) == np.sort(ours, axis=1)).all()
    assert same
    ways = {tuple(np.roll(a, -int(np.argmin(a)))) == tuple(np.roll(b, -int(np.argmin(b)))) for a, b in zip(ours, theirs, strict=True)}
    assert len(ways) == 1
    assert Survey(part((vertices, ours))).get("edges").agree.all()


@needs_scans
def test_a_real_limb_has_26_bad_edges() -> None:
    """The manifest counts 26 edges where neighbours disagree; turning leaves none and one rim instead of twenty."""
    import trimesh

    mesh = trimesh.load(scan("residual_limb_skin.stl"), process=False, force="mesh")
    subject = part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)))
    assert int((~Survey(subject).get("edges").agree).sum()) == 26
    done = mended(subject, "turn", numbers=(1, 4, 7, 8))
    assert [f.rule for f in done.after.findings] == [4]
