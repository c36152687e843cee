"""How long a page takes to open, printed and not judged: run with `-m bench -s`."""

from __future__ import annotations

import time

import numpy as np
import pytest

from corpus import solids
from tests.browser import pages


@pytest.mark.bench
def test_time_to_open_at_100_000_faces(tmp_path, opened):
    vertices, faces = solids.torus(60.0, 22.0, 320, 157)
    skin = vertices + np.random.default_rng(0).normal(0, 0.03, vertices.shape)
    started = time.perf_counter()
    path = pages.written(pages.of(pages.seen((skin, faces), "troll ring.stl")), tmp_path / "ring.html")
    made = time.perf_counter() - started
    times = []
    for _ in range(3):
        started = time.perf_counter()
        sheet = opened(path)
        sheet.page.wait_for_function("() => document.querySelector('.bw-pin:not([hidden])')")
        times.append(time.perf_counter() - started)
        assert sheet.complaints == []
    size = path.stat().st_size / 1e6
    print(f"\n{len(faces):,} faces: page made in {made:.2f} s, {size:.2f} MB, opened and drawn in {min(times):.2f} to {max(times):.2f} s")
