"""Rule 11 and drop: what is stray, what only looks it, and that what stays is not touched."""

from __future__ import annotations

import time

import numpy as np
import pytest

import corpus.fault_011_stray_pieces as fault
from corpus import solids
from lint.measure import Survey
from tests.meshes import cases, mended, part, said
from tests.scans import needs_scans, scan

BALL = solids.ball(50, level=3)  # 100 mm long


def sheet(size: float, at: tuple[float, float, float], step: int = 4) -> solids.Mesh:
    """An open level square, a little domed so that it is not flat."""
    i, j = np.meshgrid(np.arange(step + 1), np.arange(step + 1), indexing="ij")
    x, y = i.ravel() / step - 0.5, j.ravel() / step - 0.5
    points = size * np.stack((x, y, 0.4 * (0.5 - x * x - y * y)), axis=1) + at
    a = (i[:-1, :-1] * (step + 1) + j[:-1, :-1]).ravel()
    return points, np.vstack((np.stack((a, a + step + 1, a + step + 2), 1), np.stack((a, a + step + 2, a + 1), 1)))


def test_one_shell_alone_is_never_stray() -> None:
    assert cases(BALL, 11) == []
    assert cases(sheet(10, (0, 0, 0)), 11) == []


# closed: a twentieth of 100 mm is 5 mm, the space diagonal of a cube of 2.887 mm
@pytest.mark.parametrize(("side", "spoken"), [(2.8, ["loose"]), (2.95, []), (40.0, [])])
def test_closed_pieces_either_side_of_the_limit(side: float, spoken: list[str]) -> None:
    assert cases(solids.joined(BALL, solids.box((side, side, side), (80, 0, 0))), 11) == spoken


# open: a quarter of 100 mm is 25 mm, the diagonal of a square of 17.68 mm; more than that is kept when it has skin enough
@pytest.mark.parametrize(("side", "spoken"), [(17.0, ["loose"]), (18.5, []), (60.0, [])])
def test_open_pieces_either_side_of_the_limit(side: float, spoken: list[str]) -> None:
    assert cases(solids.joined(BALL, sheet(side, (120, 0, 0))), 11) == spoken


def test_a_long_strand_of_hair_has_no_skin_to_speak_of() -> None:
    hair = np.array([[60.0, 0, 0], [60, 0.3, 0], [110, 0, 20]]), np.array([[0, 1, 2]])
    (finding,) = said(solids.joined(BALL, hair), 11)
    assert finding.case == "loose"
    assert finding.measured == pytest.approx(np.hypot(50, 20), abs=0.01)


def test_table_is_told_even_when_it_is_the_larger() -> None:
    board = solids.box((300, 300, 10), (-150, -150, -70), step=20)
    top = (board[0][board[1]][:, :, 2] > -61).all(axis=1)
    (finding,) = said(solids.joined(BALL, (board[0], board[1][top])), 11)
    assert finding.case == "table"
    assert "10 mm off the part" in finding.message
    done = mended(solids.joined(BALL, (board[0], board[1][top])), "drop", numbers=(1, 11))
    assert len(done.part.faces) == len(BALL[1])


def test_pieces_that_touch_cross_or_lie_within_are_part_of_it() -> None:
    tooth = solids.box((3, 3, 3), (48, -1.5, -1.5))
    assert cases(solids.joined(BALL, tooth), 11) == []
    eye = solids.ball(2, (10, 0, 0), level=2)
    assert cases(solids.joined(BALL, eye), 11) == []
    open_head = BALL[0], BALL[1][BALL[0][BALL[1]][:, :, 2].max(axis=1) < 30]
    assert cases(solids.joined(open_head, eye), 11) == []


def test_small_pieces_that_hang_together_are_one() -> None:
    row = [solids.box((2, 2, 2), (60 + 1.9 * k, 0, 0)) for k in range(12)]
    assert cases(solids.joined(BALL, *row), 11) == []
    assert cases(solids.joined(BALL, *row[:2]), 11) == ["loose"]


def test_a_true_cavity_is_never_stray_but_a_flaw_is() -> None:
    cavity = solids.flipped(solids.box((1, 1, 1)))
    flaw = solids.flipped(solids.box((0.39, 0.39, 0.39)))  # a nozzle cubed is 0.064 mm3
    assert cases(solids.joined(BALL, cavity), 11) == []
    assert cases(solids.joined(BALL, flaw), 11) == ["void"]
    assert cases(solids.joined(BALL, flaw), 11, units=None) == []


def test_a_patch_joined_by_a_crack_is_no_crumb() -> None:
    centre = BALL[0][BALL[1]].mean(axis=1)
    patch = centre @ [0, 0, 1] > 49.2
    assert 0 < patch.sum() < 30
    lifted = BALL[0].copy()
    lifted[np.unique(BALL[1][patch])] *= 1 + 1e-4
    mesh = solids.joined((BALL[0], BALL[1][~patch]), (lifted, BALL[1][patch]))
    assert cases(mesh, 11) == []
    apart = solids.joined((BALL[0], BALL[1][~patch]), (BALL[0] * 1.2, BALL[1][patch]))
    assert cases(apart, 11) == ["loose"]


def test_what_stays_is_not_touched() -> None:
    specimen = fault.make()
    mesh = specimen.vertices, specimen.faces
    done = mended(mesh, "drop", numbers=(1, 4, 8, 11))
    assert not done.after.findings
    kept = {p.tobytes() for p in done.part.vertices}
    assert kept <= {p.tobytes() for p in specimen.vertices}
    (step,) = done.steps
    assert step.moved_max == pytest.approx(0, abs=1e-6)
    assert sum(len(z.points) for z in step.zones) < 1000


def test_the_ledger_keeps_a_piece_that_is_wanted() -> None:
    """An accepted finding does not call its fix."""
    from dataclasses import replace

    from lint.mend import mend
    from lint.rooms import all_fixes, all_rules
    from lint.settings import Settings

    mesh = part(solids.joined(BALL, solids.box((2, 2, 2), (80, 0, 0))))
    rule = all_rules()[11]
    inner = rule.function
    assert inner is not None
    accepted = replace(rule)

    def find(**given: object):  # type: ignore[no-untyped-def]
        yield from (replace(f, accepted="a peg") for f in inner(**given))

    find.__signature__ = __import__("inspect").signature(inner)  # type: ignore[attr-defined]
    accepted.function = find
    done = mend(mesh, {11: accepted}, {"drop": all_fixes()["drop"]}, Settings())
    assert done.steps == ()
    assert len(done.part.faces) == len(mesh.faces)


def test_thousands_of_specks_are_quick_and_told_together() -> None:
    rng = np.random.default_rng(11)
    at = rng.normal(size=(3000, 1, 3))
    at *= rng.uniform(60, 90, (3000, 1, 1)) / np.linalg.norm(at, axis=2, keepdims=True)
    dust = (at + rng.normal(size=(3000, 3, 3)) * 0.2).reshape(-1, 3), np.arange(9000).reshape(-1, 3)
    began = time.perf_counter()
    found = said(solids.joined(BALL, dust), 11)
    assert time.perf_counter() - began < 20
    assert len(found) == 101
    pieces = Survey(part(solids.joined(BALL, dust))).get("specks").count
    assert f"more stray pieces ({pieces - 101})" in next(f for f in found if f.case == "many").message


@needs_scans
@pytest.mark.parametrize(
    ("name", "spoken"),
    [
        ("mask_hannya.ply", []), ("head_ears_multishell.obj", []), ("body_neutral.obj", []),
        ("angel_statue_photogrammetry.ply", ["crumb"] * 7), ("defect_neck_shoulder.stl", ["crumb"] * 2),
    ],
)  # fmt: skip
def test_real_parts_of_several_shells(name: str, spoken: list[str]) -> None:
    """Eyes, teeth and horns belong; single faces that hang on a scan do not."""
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    assert cases(part((np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64))), 11) == spoken
