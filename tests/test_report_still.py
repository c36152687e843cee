"""Still pictures: areas and depths of known answer, what is pinned and what is hidden, and files that other readers take."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest
import trimesh
from PIL import Image

from corpus import solids
from lint.report import still
from lint.report.ink import Sheet, length_of, lines_of, pattern, shortened, written
from lint.report.png import png
from lint.report.raster import VIEWS, framed, rasterise
from lint.terms import Finding, Place, Weight
from tests.meshes import part


def finding(place: Place | None, weight: Weight = Weight.STOP) -> Finding:
    return Finding(4, "open edge", "rim", weight, 1.0, None, "mm", "a rim", place)


def area(mesh: solids.Mesh, view: str | tuple[float, float, float], size: tuple[int, int] = (400, 300)) -> float:
    """Drawn area in mm2."""
    camera = framed(mesh[0], view, size, room=(20, 30, 20, 30))
    return float(np.count_nonzero(rasterise(*mesh, camera).face >= 0)) / camera.scale**2


@pytest.mark.parametrize("view", list(VIEWS))
def test_a_ball_covers_a_disc(view: str) -> None:
    assert area(solids.ball(12.5, (300.0, -20.0, 7.0), level=5), view) == pytest.approx(np.pi * 12.5**2, rel=0.01)


@pytest.mark.parametrize("step", [None, 5.0, 0.25])
def test_a_block_covers_a_square_and_from_its_corner_a_hexagon(step: float | None) -> None:
    block = solids.box((40, 40, 40), (-7.0, 3.0, 900.0), step)
    assert area(block, "side") == pytest.approx(1600, rel=0.01)
    assert area(block, (1, -1, 1)) == pytest.approx(np.sqrt(3) * 1600, rel=0.01)


def test_neighbouring_faces_leave_no_slit_between_them() -> None:
    rng = np.random.default_rng(3)
    mesh = solids.ball(40.0, level=5)
    for direction in rng.normal(size=(4, 3)):
        camera = framed(mesh[0], tuple(direction), (300, 300), room=(5, 5, 5, 5))
        drawn = rasterise(*mesh, camera).face >= 0
        y, x = np.mgrid[0:300, 0:300] + 0.5
        within = np.hypot(x - 150, y - 150) < 143
        assert drawn[within].all()


def test_the_nearest_face_is_seen_as_rays_see_it() -> None:
    rng = np.random.default_rng(5)
    corners = rng.uniform(-30, 30, (300, 1, 3)) + rng.normal(0, 9, (300, 3, 3))
    mesh = trimesh.Trimesh(corners.reshape(-1, 3), np.arange(900).reshape(-1, 3), process=False)
    vertices, faces = np.asarray(mesh.vertices), np.asarray(mesh.faces, dtype=np.int64)
    camera = framed(vertices, (0.4, -1.0, 0.3), (160, 120))
    seen = rasterise(vertices, faces, camera)
    pick = rng.choice(160 * 120, 500, replace=False)
    row, column = np.unravel_index(pick, (120, 160))
    across, above = (column + 0.5 - 80) / camera.scale, (60 - row - 0.5) / camera.scale
    start = camera.middle + across[:, None] * camera.right + above[:, None] * camera.up + 500 * camera.toward
    points, ray, face = mesh.ray.intersects_location(start, np.broadcast_to(-camera.toward, start.shape), multiple_hits=True)
    far = np.full(500, np.inf)
    first = np.full(500, -1)
    for index, distance, number in zip(ray, (start[ray] - points) @ camera.toward, face, strict=True):
        if distance < far[index]:
            far[index], first[index] = distance, number
    drawn = seen.face[row, column]
    assert np.array_equal(drawn, first)
    some = drawn >= 0
    assert 100 < some.sum() < 500
    assert np.abs(seen.depth[row, column][some] - (far[some] - 500)).max() < 1e-6


def test_what_lies_on_the_far_side_or_inside_is_not_pinned() -> None:
    block = solids.box((40, 30, 20), step=2.5)
    middle = block[0][block[1]].mean(axis=1)
    central = (np.abs(middle[:, 0] - 20) < 6) & (np.abs(middle[:, 2] - 10) < 6)
    near, away = (np.flatnonzero(central & (np.abs(middle[:, 1] - y) < 1e-9)) for y in (0, 30))
    front, back = (Place((20.0, y, 10.0), 5.0, f) for y, f in ((0.0, near), (30.0, away)))
    bare = [replace(p, faces=None) for p in (front, back)]
    inside = Place((20.0, 15.0, 10.0), 2.0)
    found = [finding(p) for p in (front, back, *bare, inside, None)]
    for view, wanted in (("front", {1, 3}), ("back", {2, 4}), ("side", set()), ("top", set())):
        drawn = still.draw(part(block), found, view=view)
        assert set(drawn.pins) == wanted, view
        for number in wanted:
            x, y = drawn.pins[number]
            spot = drawn.camera.project(np.array([found[number - 1].place.centre]))[0]
            assert np.hypot(x - spot[0], y - spot[1]) <= 6 * drawn.camera.scale  # within the patch of 5 mm around its middle


def test_a_patch_smaller_than_a_pixel_is_pinned_where_it_is_seen() -> None:
    ball = solids.ball(40.0, level=6)
    small = np.array([int(np.argmin(ball[0][ball[1]].mean(axis=1) @ [0.1, 1.0, 0.2]))])
    assert set(still.draw(part(ball), [finding(Place((0, 0, 0), 1.0, small))], size=(120, 120)).pins) == {1}
    assert not still.draw(part(ball), [finding(Place((0, 0, 0), 1.0, small))], view="back", size=(120, 120)).pins


def test_a_finding_changes_the_picture_only_where_it_is_and_without_colour_the_weights_still_differ() -> None:
    block = solids.box((40, 30, 20), step=2.5)
    middle = block[0][block[1]].mean(axis=1)
    patch = np.flatnonzero((middle[:, 1] == 0) & (middle[:, 0] < 20))
    plain = still.draw(part(block)).sheet.bytes()
    grey = {}
    for weight in Weight:
        drawn = still.draw(part(block), [finding(Place((10.0, 0.0, 10.0), 14.0, patch), weight)])
        changed = (drawn.sheet.bytes() != plain).any(axis=2)
        left, right = (drawn.camera.project(np.array([[x, 0.0, 10.0]]))[0, 0] for x in (0.0, 20.0))
        columns = np.flatnonzero(changed.any(axis=0))
        assert columns[0] >= left - 110
        assert columns[-1] <= right + 2
        grey[weight] = drawn.sheet.pixels.mean(axis=2)[changed].round(2).tolist()
    assert len({tuple(g) for g in grey.values()}) == 3
    shares = [pattern(kind, 1, 180, 180, 2).mean() for kind in ("dotted", "lined", "crossed")]
    assert shares[0] < shares[1] < shares[2] < 0.5


def test_the_scale_bar_is_as_long_as_it_says() -> None:
    for size, view in (((600, 450), "front"), ((300, 200), "top"), ((900, 300), (1, -1, 0.5))):
        drawn = still.draw(part(solids.box((73, 51, 22))), view=view, size=size)
        dark = np.flatnonzero(drawn.sheet.pixels[size[1] - 15].mean(axis=1) < 0.6)
        run = dark[: int(np.argmax(np.diff(dark, append=dark[-1] + 2) > 1)) + 1]
        long = (run[-1] - run[0]) / drawn.camera.scale
        assert min(abs(long - n) for n in (1, 2, 5, 10, 20, 50)) < 2.5 / drawn.camera.scale
        assert long < size[0] / 4 / drawn.camera.scale + 1


def test_a_close_up_shows_its_place_in_the_middle_and_larger() -> None:
    ball = part(solids.ball(40.0, level=5))
    whole = still.draw(ball)
    close = still.draw(ball, close_up=Place((20.0, -34.0, 5.0), 4.0))
    assert close.camera.scale > 4 * whole.camera.scale
    at = close.camera.project(np.array([[20.0, -34.0, 5.0]]))[0]
    assert np.hypot(at[0] - 300, at[1] - 225) < 10


def test_another_reader_sees_the_same_picture_and_it_is_always_the_same_bytes() -> None:
    block = part(solids.box((40, 30, 20), step=2.5))
    found = [finding(Place((20.0, 0.0, 10.0), 5.0))]
    data = still.picture(block, found, view="front", size=(320, 240))
    assert data == still.picture(block, found, view="front", size=(320, 240))
    with Image.open(io.BytesIO(data)) as read:
        assert (read.format, read.size, read.mode) == ("PNG", (320, 240), "RGB")
        assert not read.info
        assert np.array_equal(np.asarray(read), still.draw(block, found, view="front", size=(320, 240)).sheet.bytes())


def test_the_file_of_a_picture_of_known_pixels() -> None:
    noise = np.random.default_rng(1).integers(0, 256, (17, 5, 3), dtype=np.uint8)
    with Image.open(io.BytesIO(png(noise))) as read:
        assert np.array_equal(np.asarray(read), noise)
    for wrong in (noise[:, :, :2], noise.astype(np.float64), noise[:0]):
        with pytest.raises(ValueError, match="a picture is"):
            png(wrong)


def test_what_is_wrong_with_a_file_never_stops_its_picture() -> None:
    block = solids.box((40, 30, 20))
    vertices = block[0].copy()
    vertices[0] = np.nan
    lost = np.vstack((block[1], [[0, 1, 999], [-1, 2, 3]]))
    spot, nothing = (np.zeros((3, 3)), np.array([[0, 1, 2]])), (np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
    found = [finding(Place((np.nan, 0, 0), 1.0)), finding(Place((0, 0, 0), np.inf))]
    for mesh in ((vertices, block[1]), (block[0], lost), (block[0] * 1e300, block[1]), (block[0] * 1e-300, block[1]), spot, nothing):
        for view in ("front", "top", (1.0, 1.0, 1.0)):
            data = still.picture(part(mesh), found, view=view, size=(200, 150))
            assert data[:4] == b"\x89PNG"
    with pytest.raises(ValueError, match="no such view"):
        still.picture(part(block), view="above")
    with pytest.raises(ValueError, match="pixels each way"):
        still.picture(part(block), size=(20, 9000))


def test_words_stay_inside_their_room_and_no_sign_is_lost_silently() -> None:
    assert written("Tröll\tnose, 40 %\x1b[31m 鼻") == "TROLL NOSE, 40 %??31M ?"
    for text in ("a heron's beak, left", "x" * 300, "", "the tin king " * 30):
        assert length_of(shortened(text, 10, 200), 10) <= 200 or shortened(text, 10, 200) == "..."
        lines = lines_of(text, 10, 200, 3)
        assert len(lines) <= 3
        assert all(length_of(line, 10) <= 200 for line in lines)
    sheet = Sheet(300, 40)
    assert sheet.write("TIN KING", 10, 30, 12) == pytest.approx(length_of("TIN KING", 12))
    dark = np.flatnonzero((sheet.pixels.mean(axis=2) < 0.7).any(axis=0))
    assert dark[0] == pytest.approx(10, abs=2)
    assert dark[-1] == pytest.approx(10 + length_of("TIN KING", 12), abs=2)
