"""The real meshes: as many faces as the manifest counts, as large as it says, and trimesh sees the same skin."""

from __future__ import annotations

import csv
import time

import numpy as np
import pytest

from lint.load import read
from tests.scans import SCANS, needs_scans


def manifest() -> list[dict[str, str]]:
    if SCANS is None:
        return []
    with (SCANS / "manifest.tsv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file, delimiter="\t"))


@needs_scans
@pytest.mark.parametrize("row", manifest(), ids=lambda r: r["file"])
def test_counts_and_size(row: dict[str, str]) -> None:
    import trimesh

    assert SCANS is not None
    began = time.process_time()
    part = read(SCANS / row["file"])
    assert time.process_time() - began < 5
    assert len(part.faces) == int(row["triangles"])
    corners = part.vertices[part.faces.ravel()]
    extent = np.sort((corners.max(axis=0) - corners.min(axis=0)) / (1000 if part.units == "m" else 1))
    assert extent == pytest.approx(np.sort([float(x) for x in row["bounding_box"].split(" x ")]), rel=6e-4)
    theirs = trimesh.load(SCANS / row["file"], process=False, force="mesh")
    scale = abs(np.linalg.det(part.placement[:3, :3])) ** (1 / 3)
    ours = trimesh.Trimesh(part.vertices, part.faces, process=False)
    # Where polygons are not flat, the diagonal taken changes the area a little.
    assert ours.area / scale**2 == pytest.approx(theirs.area, rel=1e-3 if part.source.split_polygons else 1e-6)
