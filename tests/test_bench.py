"""The benchmark's meshes are what it says they are, and its arithmetic is right; the benchmark itself runs behind its marker."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from lint.measure import Survey
from tests.bench import made
from tests.bench.__main__ import exponent, tables
from tests.meshes import part


@pytest.mark.parametrize("faces", [1_300, 6_000])
def test_a_made_shape_is_one_closed_solid_of_so_many_faces_on_a_flat_foot(faces: int) -> None:
    mesh = made.shape(faces)
    survey = Survey(part(mesh))
    assert faces <= len(mesh[1]) <= faces + 1
    assert survey.get("edges").closed
    assert survey.get("edges").agree.all()
    assert survey.get("shells").count == 1
    assert survey.get("contact").area > 1000
    assert not len(survey.get("crossings").pairs)


def test_the_same_seed_makes_the_same_mesh() -> None:
    one, again, other = made.shape(2_000), made.shape(2_000), made.shape(2_000, seed=21)
    assert np.array_equal(one[0], again[0])
    assert np.array_equal(one[1], again[1])
    assert not np.array_equal(one[0], other[0])


def test_a_written_file_holds_the_mesh(tmp_path: Path) -> None:
    from lint.load import read

    mesh = made.shape(1_500)
    made.write_stl(tmp_path / "heron.stl", mesh)
    found = read(tmp_path / "heron.stl")
    assert np.array_equal(found.vertices[found.faces], mesh[0][mesh[1]].astype(np.float32))


@pytest.mark.parametrize("power", [1.0, 1.1, 2.0])
def test_the_exponent_of_growth(power: float) -> None:
    spent = [(faces, 3e-6 * faces**power) for faces in (10, 100_000, 1_000_000, 5_000_000)]
    assert exponent(spent) == pytest.approx(power)


@pytest.mark.bench
def test_the_benchmark_prints_its_tables() -> None:
    lines = tables("ball", [2_000, 4_000], 1)
    print("\n".join(lines))
    assert sum(line.startswith("| 2,000") or line.startswith("| 4,000") for line in lines) == 2
