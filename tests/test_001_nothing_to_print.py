"""Rule 1: files that hold no mesh, and the ones that just do."""

from __future__ import annotations

import numpy as np
import pytest

from corpus import solids
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Outcome
from tests.meshes import cases, part, said

CUBE = solids.box((10, 10, 10))
NONE = np.zeros((0, 3), dtype=np.int64)


def with_number(value: float, point: int = 6) -> solids.Mesh:
    vertices = CUBE[0].copy()
    vertices[point, 1] = value
    return vertices, CUBE[1]


@pytest.mark.parametrize("mesh", [(np.zeros((0, 3)), NONE), (CUBE[0], NONE)])
def test_no_faces(mesh: solids.Mesh) -> None:
    assert cases(mesh, 1) == ["empty"]


@pytest.mark.parametrize("value", [np.nan, np.inf, -np.inf, 1e300, -1e13])
def test_a_coordinate_that_is_no_length(value: float) -> None:
    (finding,) = said(with_number(value), 1)
    assert (finding.case, finding.measured) == ("number", 1)
    assert "point 7" in finding.message
    first = int(np.flatnonzero((CUBE[1] == 6).any(axis=1))[0]) + 1
    assert f"face {first}" in finding.message


def test_a_length_that_is_large_but_can_be() -> None:
    assert cases(with_number(1e9), 1) == []


@pytest.mark.parametrize("index", [8, -1, 2**40])
def test_a_face_that_names_no_point(index: int) -> None:
    faces = CUBE[1].copy()
    faces[3, 2] = index
    (finding,) = said((CUBE[0], faces), 1)
    assert (finding.case, finding.measured) == ("index", 1)
    assert "face 4" in finding.message
    assert f"point {index + 1} of 8" in finding.message


def test_faces_that_are_all_flat() -> None:
    assert cases((CUBE[0], np.array([[0, 0, 1], [2, 3, 3]])), 1) == ["flat"]
    assert cases((np.zeros((3, 3)), np.array([[0, 1, 2]])), 1) == ["flat"]
    assert cases((CUBE[0], np.array([[0, 0, 1], [0, 1, 2]])), 1) == []


def test_both_kinds_of_damage_are_told_at_once() -> None:
    faces = CUBE[1].copy()
    faces[0, 0] = 99
    assert cases((with_number(np.nan)[0], faces), 1) == ["index", "number"]


def test_nothing_else_runs_and_nothing_is_mended() -> None:
    report = examine(part(with_number(np.nan)), all_rules(), Settings())
    assert report.unreadable is not None
    assert {r.outcome for r in report.rules if r.number != 1} == {Outcome.NOT_RUN}
    assert mend(part(with_number(np.nan)), all_rules(), all_fixes(), Settings()).steps == ()
