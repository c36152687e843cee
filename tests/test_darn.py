"""Darning: what passes through itself is cut out and patched, in open sheets as well, and all other skin keeps its points."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from corpus.solids import Mesh, ball, box, joined
from lint.measure import Survey
from lint.shape.darn import darned
from lint.terms import Declined, Part, Source


def survey_of(mesh: Mesh) -> Survey:
    return Survey(Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("x.stl"), "stl", "", 0), units="mm"))


def stabbed_dome() -> Mesh:
    """The upper half of a ball, open below, with one point pulled through the other side of it."""
    vertices, faces = ball(20, level=4)
    faces = faces[(vertices[faces][:, :, 2] > -1.0).all(axis=1)]
    vertices = vertices.copy()
    vertices[np.argmax(vertices @ (0.9, 0.0, 0.45))] = (-26.0, 3.0, 8.0)
    return vertices, faces


def test_a_spike_through_a_sheet_is_cut_off_and_both_wounds_are_closed() -> None:
    before = survey_of(stabbed_dome())
    assert before.get("crossings").within.any()
    made = darned(before, True)
    after = survey_of((made.vertices, made.faces))
    assert not len(after.get("crossings").pairs)
    assert len(after.get("rims")) == 1
    assert len(after.get("edges").open) == len(before.get("edges").open)
    assert np.linalg.norm(made.vertices, axis=1).max() < 20.5, "the spike is gone"
    assert np.linalg.norm(made.vertices, axis=1).min() > 19.0, "and the patches are round"
    known = {tuple(p) for p in before.get("skin").vertices.tolist()}
    assert sum(tuple(p) in known for p in made.vertices.tolist()) > 0.9 * len(made.vertices)


def test_one_shell_through_another_is_not_cut_apart() -> None:
    dome = ball(20, level=4)[0], stabbed_dome()[1]
    post = box((4.0, 4.0, 20.0))
    with pytest.raises(Declined, match="no shell passes through itself"):
        darned(survey_of(joined(dome, (post[0] + np.array([0.0, 0.0, 10.0]), post[1]))), True)


def test_skin_that_would_come_apart_is_left_alone() -> None:
    """An hourglass whose waist crosses itself: cut out, its two halves would part."""
    vertices, faces = ball(20, level=4)
    vertices = vertices.copy()
    vertices[:, :2] *= (np.abs(vertices[:, 2]) / 20 - 0.1)[:, None]  # turned inside out about the middle
    with pytest.raises(Declined, match=r"come apart|too much"):
        darned(survey_of((vertices, faces)), True)
