"""Packed meshes: what comes out is what went in, to a fraction of a hundredth of a millimetre; thin copies carry findings along."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from corpus import solids
from lint.view.pack import STEPS, pack, pack_values, runs, unpack
from lint.view.thin import thin


def triangles(vertices, faces):
    """Every face as its corners, (m, 9), turned so that its least corner comes first, in an order of its own."""
    corners = vertices[faces]
    first = np.array([min(range(3), key=lambda k: tuple(c[k])) for c in corners])
    turned = np.stack([corners[np.arange(len(corners)), (first + k) % 3] for k in range(3)], axis=1)
    return turned.reshape(-1, 9)


@pytest.mark.parametrize("far", [0.0, 1000.0])
def test_round_trip_within_half_a_step(far):
    vertices, faces = solids.ball(20.0, (far, 0.0, -far), level=3)
    mixed = np.random.default_rng(4).permutation(len(faces))
    packed = pack(vertices, faces[mixed])
    points, back, closed = unpack(packed.data)
    step = np.ptp(vertices, axis=0) / STEPS
    assert closed
    assert (np.abs(points - packed.points) <= step / 2 + 1e-12 * (1 + far)).all()
    assert packed.off <= step.max() / 2 + 1e-9
    assert (vertices[packed.came] == packed.points).all()
    was, now = vertices[faces[mixed][packed.order]], points[back]
    assert np.abs(was - now).max() <= step.max() / 2 + 1e-9


def test_a_scan_of_250_mm_is_shown_to_two_thousandths():
    vertices, faces = solids.box((250.0, 180.0, 90.0), step=10.0)
    assert pack(vertices, faces).off <= 0.002


def test_size_for_the_web():
    """0.7 MB as base64 for 100,000 faces, on a noisy skin in no order."""
    rng = np.random.default_rng(0)
    vertices, faces = solids.ball(50.0, level=6)
    vertices = vertices + rng.normal(0, 0.05, vertices.shape)
    packed = pack(vertices, faces[rng.permutation(len(faces))])
    assert len(packed.data) * 4 / 3 / len(faces) * 100_000 < 700_000


def test_corners_of_stl_are_joined_and_empty_faces_go():
    vertices, faces = solids.box((3.0, 2.0, 1.0))
    soup = vertices[faces].reshape(-1, 3)
    apart = np.vstack((np.arange(len(soup)).reshape(-1, 3), [[0, 0, 1]]))
    packed = pack(soup, apart)
    points, back, closed = unpack(packed.data)
    assert (len(points), len(back), closed) == (8, 12, True)
    assert sorted(packed.order) == list(range(12))


def test_an_open_sheet_is_told_from_a_solid():
    vertices, faces = solids.box((3.0, 2.0, 1.0))
    assert unpack(pack(vertices, faces).data)[2]
    assert not unpack(pack(vertices, faces[1:]).data)[2]


@settings(max_examples=60, deadline=None)
@given(st.integers(1, 40), st.integers(0, 2**32 - 1), st.floats(1e-6, 1e6), st.booleans())
def test_any_mesh_comes_back(count, seed, size, flat):
    rng = np.random.default_rng(seed)
    vertices = rng.uniform(-size, size, (count + 2, 3))
    if flat:
        vertices[:, 2] = 7.0
    faces = rng.integers(0, len(vertices), (count, 3))
    packed = pack(vertices, faces)
    points, back, _ = unpack(packed.data)
    assert len(back) == len(packed.order) <= count
    if len(back):
        used = vertices[faces[packed.order]]
        step = np.ptp(used.reshape(-1, 3), axis=0) / STEPS
        assert (np.abs(points[back] - used) <= step * 0.5001 + 1e-9 * size).all()


@pytest.mark.parametrize("data", [b"", b"bkw1", b"nope" + bytes(80)])
def test_other_bytes_are_refused(data):
    with pytest.raises(ValueError):
        unpack(data)


@given(st.lists(st.booleans(), max_size=200))
def test_runs_say_which_faces(chosen):
    mask = np.array(chosen, dtype=bool)
    flat = runs(mask)
    back = np.zeros(len(mask), dtype=bool)
    for first, length in zip(flat[::2], flat[1::2], strict=True):
        assert not back[first : first + length].any()
        back[first : first + length] = True
    assert (back == mask).all()


def test_values_are_kept_to_a_micron_and_more_is_said_as_more():
    import zlib

    raw = np.frombuffer(zlib.decompress(pack_values(np.array([0.0, 0.0004, 0.05, 1.2345, 70.0, np.inf]))), dtype=np.uint8).astype(int)
    assert list(raw[:6] | raw[6:] << 8) == [0, 0, 50, 1234, 65535, 65535]


def test_a_thin_copy_keeps_shape_size_and_closedness():
    vertices, faces = solids.ball(30.0, level=6)
    thinned = thin(vertices, faces, 10_000)
    assert 5_000 < len(thinned.faces) <= 10_000
    radius = np.linalg.norm(thinned.vertices[np.unique(thinned.faces)], axis=1)
    assert abs(radius - 30.0).max() < thinned.cell
    assert unpack(pack(thinned.vertices, thinned.faces).data)[2]


def test_a_thin_copy_carries_patches_even_those_smaller_than_its_faces():
    vertices, faces = solids.ball(30.0, level=6)
    thinned = thin(vertices, faces, 4_000)
    middles, thin_middles = vertices[faces].mean(axis=1), thinned.vertices[thinned.faces].mean(axis=1)
    cap = np.flatnonzero(middles[:, 2] > 20.0)
    carried = thinned.carried(faces[cap])
    assert thin_middles[carried, 2].min() > 20.0 - 2 * thinned.cell
    assert carried[thin_middles[:, 2] > 20.0 + 2 * thinned.cell].all()
    speck = thinned.carried(faces[cap[:1]])
    assert 1 <= speck.sum() <= 12
    assert np.linalg.norm(thin_middles[speck] - middles[cap[0]], axis=1).max() < 3 * thinned.cell
