"""Rule 55, unmarked: letters on the base are seen, sockets and drains are not taken for them."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
from rules.rule_055_unmarked import rule

BLOCK = solids.box((60.0, 60.0, 30.0))


def found(mesh: solids.Mesh) -> list[Finding]:
    part = Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("t.stl"), "stl", "", 0), units="mm")
    report = examine(part, {55: dataclasses.replace(rule, after=())}, Settings())
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return list(report.findings)


def letter_l(depth: float) -> solids.Mesh:
    return solids.fused(solids.box((2.0, 12.0, depth + 5), (20.0, 20.0, -5.0)), solids.box((8.0, 2.0, depth + 5), (20.0, 20.0, -5.0)))


def letter_o(depth: float) -> solids.Mesh:
    vertices, faces = solids.tube(6.0, 4.0, depth + 5, sides=48)
    return vertices + np.array([30.0, 30.0, -5.0]), faces


def rod(radius: float) -> solids.Mesh:
    vertices, faces = solids.tube(radius, 0.0, 10.0, sides=48)
    return vertices + np.array([30.0, 30.0, -5.0]), faces


@pytest.mark.parametrize("letter", [letter_l(0.6), letter_o(0.6)], ids=["L", "O"])
def test_a_letter_is_a_mark(letter: solids.Mesh) -> None:
    assert not found(solids.cut(BLOCK, letter))


@pytest.mark.parametrize(
    "mesh",
    [BLOCK, solids.cut(BLOCK, rod(4.0)), solids.cut(BLOCK, letter_l(0.15)), solids.cut(BLOCK, letter_l(12.0))],
    ids=["blank", "a socket", "a scratch", "a deep slot"],
)
def test_what_is_no_mark(mesh: solids.Mesh) -> None:
    (one,) = found(mesh)
    assert one.weight is Weight.NOTE
    assert one.measured == 0
