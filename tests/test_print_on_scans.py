"""The rules of the print on real meshes: turned, moved, renumbered and passed through STL they say the same, with either maker of rays."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Outcome, Part, Source
from tests.scans import needs_scans, scan

RULES = {n: r for n, r in all_rules().items() if 30 <= n <= 36}

Mesh = tuple[np.ndarray, np.ndarray]


def said(mesh: Mesh) -> list[Finding]:
    part = Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("scan.stl"), "stl", "", 0), units="mm", units_from="the ticket")
    report = examine(part, RULES, Settings())
    assert not [r.why for r in report.rules if r.outcome is Outcome.BROKE]
    return sorted(report.findings, key=lambda f: (f.rule, f.case, -f.measured))


def load(name: str) -> Mesh:
    import trimesh

    mesh = trimesh.load(scan(name), process=False, force="mesh")
    return np.asarray(mesh.vertices, dtype=np.float64), np.asarray(mesh.faces, dtype=np.int64)


def changed(mesh: Mesh) -> Mesh:
    rng = np.random.default_rng(9)
    a = np.radians(61.0)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    vertices = mesh[0] @ turn.T + np.array([1000.0, -1000.0, 0.0])
    order = rng.permutation(len(vertices))
    faces = np.argsort(order)[mesh[1]][rng.permutation(len(mesh[1]))]
    corners = vertices[order][faces].astype(np.float32).reshape(-1, 3).astype(np.float64)
    return corners, np.arange(len(corners)).reshape(-1, 3)


@needs_scans
@pytest.mark.parametrize("name", ["ear_left.stl", "headform_medium.stl"])
def test_a_scan_says_the_same_however_it_is_written(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    mesh = load(name)
    was = said(mesh)
    assert was
    others = [said(changed(mesh))]
    for word in ("BUCKWRIGHT_LOOPS", "BUCKWRIGHT_RAYS"):  # without our compiled loops, then without the ray wheel either
        monkeypatch.setenv(word, "plain")
        others.append(said(mesh))
    for now in others:
        assert [(f.rule, f.case, f.weight, f.fix) for f in now] == [(f.rule, f.case, f.weight, f.fix) for f in was]
        for a, b in zip(was, now, strict=True):
            assert b.measured == pytest.approx(a.measured, rel=2e-3, abs=2e-3), (a.message, b.message)


@needs_scans
def test_a_sound_ear_has_no_thin_walls_and_stands_on_its_base() -> None:
    numbers = {f.rule for f in said(load("ear_left.stl"))}
    assert not numbers & {30, 31, 33, 34, 36}
    assert 35 in numbers  # its file stands 1 mm above z = 0


@needs_scans
def test_the_folded_skin_at_the_neck_of_the_headform_is_found() -> None:
    """Two flaps of skin lie 0.01 mm apart there; nothing can print them."""
    thin = [f for f in said(load("headform_medium.stl")) if f.rule == 30]
    assert len(thin) == 2
    assert all(f.case == "dropped" and f.measured < 0.05 and f.place is not None and f.place.centre[1] < -155 for f in thin)
