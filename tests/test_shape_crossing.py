"""Crossings of new faces: the same pairs are asked whether a face is taken by cells or compared with all others."""

from __future__ import annotations

import numpy as np
import pytest

from lint.shape import crossing


@pytest.mark.parametrize("seed", range(12))
def test_wide_faces_meet_the_same_others(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(seed)
    corners = rng.random((50, 1, 3)) * 10 + rng.normal(size=(50, 3, 3)) * 0.3
    spikes = rng.random(50) < 0.1
    corners[spikes] = rng.random((int(spikes.sum()), 3, 3)) * 10
    new = rng.random(50) < 0.5
    low, high = corners.min(axis=1), corners.max(axis=1)
    said = []
    for wide in (10**9, 100, 5, 0):
        monkeypatch.setattr(crossing, "WIDE", wide)
        said.append((crossing._pairs(low, high, new), crossing.crossing_faces(corners.reshape(-1, 3), np.arange(150).reshape(50, 3), new)))
    for pairs, hit in said[1:]:
        assert np.array_equal(pairs[0], said[0][0][0])
        assert np.array_equal(pairs[1], said[0][0][1])
        assert np.array_equal(hit, said[0][1])


def test_spikes_across_a_fine_skin_take_no_memory_to_speak_of() -> None:
    """Faces as long as the part beside a thousand small ones: their boxes would take up eight million cells each."""
    rng = np.random.default_rng(1)
    small = rng.random((1000, 1, 3)) * 100 + rng.normal(size=(1000, 3, 3)) * 0.05
    spikes = np.array([[0.0, 0.0, 0.0], [100.0, 100.0, 100.0], [99.9, 100.0, 100.0]]) + rng.random((30, 1, 3))
    corners = np.concatenate((small, spikes))
    hit = crossing.crossing_faces(corners.reshape(-1, 3), np.arange(3 * 1030).reshape(-1, 3), np.arange(1030) >= 1000)
    assert hit.shape == (1030,)
