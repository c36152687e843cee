"""The viewer by its own interface, as the local page uses it: what a click means in millimetres, the crop box, two parts at a time."""

from __future__ import annotations

import base64
import io
import json

import numpy as np
import pytest

from corpus import solids
from lint.view.frame import document, script, style
from lint.view.pack import pack

SETUP = """
globalThis.told = { picks: [], pins: [], lengths: [], boxes: [] };
globalThis.begin = async (parts, options = {}) => {
  if (globalThis.view) view.dispose();
  globalThis.view = createView(document.querySelector('canvas'), {
    onPick: (...pick) => told.picks.push(pick), onPin: (n) => told.pins.push(n), onMeasure: (r, t) => told.lengths.push([r, t]),
    reduceMotion: true, ...options });
  view.show(await Promise.all(parts.map(async (p) => ({ ...p, mesh: await decodeMesh(p.mesh) }))));
};
"""
QUARTER = [0, 10, 0, 0, -10, 0, 0, 0, 0, 0, 10, 0, 50, 0, 0, 1]  # a quarter turn about z, ten times as large, moved along x


@pytest.fixture
def viewer(chromium, tmp_path):
    path = tmp_path / "viewer.html"
    body = '<div class="bw-view room"><canvas tabindex="0"></canvas></div>'
    path.write_text(document("viewer", body, scripts=(script(), SETUP), styles=(style(), ".room { width: 600px; height: 400px; }")))
    context = chromium.new_context(viewport={"width": 700, "height": 500})
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda e: complaints.append(str(e)))
    page.on("console", lambda m: complaints.append(m.text) if m.type == "error" else None)
    page.goto(path.as_uri())
    yield page
    context.close()
    assert complaints == []


def begin(page, *parts, **options):
    """Show parts: each a mesh, or a mesh with more said of it."""
    said = [{**more, "mesh": base64.b64encode(pack(*mesh).data).decode()} for mesh, more in parts]
    page.evaluate("([parts, options]) => begin(parts, options)", [said, options])


def drawn(page):
    """Wait for the picture: what lies over it, pins and grips, follows a frame later."""
    page.evaluate("new Promise((drawn) => requestAnimationFrame(() => requestAnimationFrame(drawn)))")


def click_on(page, at, part=0):
    """A click where a point of a part is seen."""
    x, y = page.evaluate("([at, part]) => view.spot(at, part)", [at, part])
    box = page.locator("canvas").bounding_box()
    page.mouse.click(box["x"] + x, box["y"] + y)
    return page.evaluate("told.picks.at(-1)")


BLOCK = solids.box((40.0, 20.0, 10.0), (100.0, 0.0, 0.0), step=2.0)


@pytest.mark.parametrize("side", ["front", "right", "above", "whole"])
def test_a_click_is_a_point_of_the_part_in_its_own_millimetres(viewer, side):
    begin(viewer, (BLOCK, {}))
    viewer.evaluate("side => view.look(side)", side)
    aimed = {"front": [112, 0, 4], "right": [140, 7, 4], "above": [127, 12, 10], "whole": [127, 12, 10]}[side]
    point, face, part = click_on(viewer, aimed)
    assert part == 0
    assert point == pytest.approx(aimed, abs=0.15)  # half a pixel of the screen
    order = pack(*BLOCK).order
    corners = BLOCK[0][BLOCK[1][order[face]]]
    assert (corners.min(axis=0) - 0.01 <= point).all()
    assert (point <= corners.max(axis=0) + 0.01).all()


def test_two_parts_stand_in_one_view_each_with_its_own_coordinates(viewer):
    inverse = np.linalg.inv(np.array(QUARTER).reshape(4, 4).T)
    small = BLOCK[0] @ inverse[:3, :3].T + inverse[:3, 3]
    begin(viewer, ((small, BLOCK[1]), {"to": QUARTER}), (BLOCK, {}))
    viewer.evaluate("view.look('above')")
    aimed = np.array([127.0, 12.0, 10.0])
    own = inverse[:3, :3] @ aimed + inverse[:3, 3]
    left = click_on(viewer, own.tolist(), 0)
    right = click_on(viewer, aimed.tolist(), 1)
    assert (left[2], right[2]) == (0, 1)
    assert left[0] == pytest.approx(own.tolist(), abs=0.03)
    assert right[0] == pytest.approx(aimed.tolist(), abs=0.3)
    x, _ = viewer.evaluate("at => view.spot(at, 0)", own.tolist())
    across, _ = viewer.evaluate("at => view.spot(at, 1)", aimed.tolist())
    assert across - x == pytest.approx(300, abs=1)


def test_a_click_on_a_cut_is_on_the_plane(viewer):
    begin(viewer, (BLOCK, {"pins": [{"number": k, "at": [x, 10, 10], "weight": 1} for k, x in ((1, 105), (2, 138))]}))
    viewer.evaluate("view.look('right')")
    viewer.evaluate("view.section({axis: 'x', at: 120})")
    assert viewer.evaluate("view.cut.keep") == "low"
    point, _, _ = click_on(viewer, [120, 11, 6])
    assert point == pytest.approx([120, 11, 6], abs=0.15)
    assert point[0] == pytest.approx(120, abs=1e-6)
    drawn(viewer)
    assert viewer.get_by_role("button", name="Pin 1: a place").count() == 1
    assert viewer.get_by_role("button", name="Pin 2: a place").count() == 0  # it is cut away
    viewer.evaluate("view.section({axis: 'x', at: 120, keep: 'high'})")
    assert viewer.evaluate("view.range('x')") == [100, 140]


def test_what_is_picked_has_the_length_that_is_said(viewer):
    begin(viewer, (BLOCK, {}))
    viewer.evaluate("view.measure(true)")
    for side, at in (("left", [100, 7, 4]), ("right", [140, 12, 6])):
        viewer.evaluate("side => view.look(side)", side)
        click_on(viewer, at)
    ends = np.array(viewer.evaluate("view.picked"))
    result, words = viewer.evaluate("told.lengths.at(-1)")
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(40.0, abs=0.02) == result["length"]
    assert np.abs(ends[1] - ends[0]) == pytest.approx([40, 0, 0], abs=0.02)
    assert words.startswith("40.00 mm, square across")
    viewer.evaluate("view.measure(false)")
    assert viewer.evaluate("view.picked") == []


def test_the_crop_box_is_moved_by_hand_and_by_keys(viewer):
    begin(viewer, (BLOCK, {}))
    viewer.evaluate("view.look('front')")
    viewer.evaluate("view.box({min: [105, 2, 1], max: [135, 18, 9]}, (b) => told.boxes.push(b))")
    grip = viewer.get_by_role("button", name="Crop box, right side")
    for key in ("ArrowRight", "ArrowRight", "ArrowLeft"):
        grip.press(key)
    box = viewer.evaluate("told.boxes.at(-1)")
    size = float(np.linalg.norm([40, 20, 10]))
    assert box["max"][0] == pytest.approx(135 + 0.005 * size)
    assert box["min"] == [105, 2, 1]
    drawn(viewer)
    start = grip.bounding_box()
    wanted = viewer.evaluate("view.spot([125, 10, 5])")
    canvas = viewer.locator("canvas").bounding_box()
    viewer.mouse.move(start["x"] + 13, start["y"] + 13)
    viewer.mouse.down()
    viewer.mouse.move(canvas["x"] + wanted[0], start["y"] + 13, steps=4)
    viewer.mouse.up()
    assert viewer.evaluate("told.boxes.at(-1).max[0]") == pytest.approx(125, abs=1.0)
    grip.press("Shift+ArrowLeft")
    for _ in range(40):
        grip.press("Shift+ArrowLeft")
    box = viewer.evaluate("told.boxes.at(-1)")
    assert box["max"][0] > box["min"][0]  # the sides cannot pass one another
    viewer.evaluate("view.box(null)")
    assert grip.count() == 0


def test_a_pin_tells_its_number_and_patches_may_be_given_as_faces(viewer):
    patch = {"number": 7, "weight": 3, "faces": [0, 1, 2]}
    begin(viewer, (BLOCK, {"patches": [patch], "pins": [{"number": 7, "at": [120, 10, 10], "label": "stop: open edge", "weight": 3}]}))
    viewer.get_by_role("button", name="Pin 7: stop: open edge").click()
    assert viewer.evaluate("told.pins") == [7]


def test_lengths_are_said_in_file_units_when_nobody_knows_the_unit(viewer):
    begin(viewer, ((BLOCK[0] / 1000, BLOCK[1]), {}), lengthUnit="file units")
    viewer.evaluate("view.measure(true); view.snap(false); view.look('above')")
    for at in ([0.11, 0.01, 0.01], [0.13, 0.01, 0.01]):
        click_on(viewer, at)
    result, words = viewer.evaluate("told.lengths.at(-1)")
    assert result["length"] == pytest.approx(0.02, abs=0.0005)
    assert " file units, from point to point" in words


def test_the_picture_comes_back_after_the_graphics_were_lost(viewer):
    """As after a laptop slept."""
    begin(viewer, (BLOCK, {"patches": [{"number": 1, "weight": 3, "faces": list(range(200))}]}))
    before = shown(viewer)
    assert len(np.unique(before.reshape(-1, 3), axis=0)) > 50
    viewer.evaluate("globalThis.lost = document.querySelector('canvas').getContext('webgl2').getExtension('WEBGL_lose_context')")
    viewer.evaluate("lost.loseContext()")
    viewer.wait_for_timeout(100)
    viewer.evaluate("lost.restoreContext()")
    viewer.wait_for_timeout(300)
    assert np.abs(shown(viewer).astype(int) - before).mean() < 0.5


def shown(page):
    """The pixels of the picture."""
    image = pytest.importorskip("PIL.Image", reason="Pillow, which reads the picture, is not installed")
    return np.asarray(image.open(io.BytesIO(page.locator("canvas").screenshot())).convert("RGB"))


def test_what_is_drawn_is_plaster_where_the_part_is_and_board_where_it_is_not(viewer):
    begin(viewer, (BLOCK, {}))
    viewer.evaluate("view.look('above')")
    viewer.wait_for_timeout(100)
    pixels = shown(viewer)
    x, y = (round(v) for v in viewer.evaluate("view.spot([120, 10, 10])"))
    corner = [round(v) for v in viewer.evaluate("view.spot([99, -1, 10])")]
    assert (pixels[4, 4] == [0xDF, 0xE4, 0xE3]).all()
    assert (pixels[corner[1], corner[0]] == pixels[4, 4]).all()
    red, green, blue = pixels[y, x].astype(int)
    assert red >= green >= blue > 90  # warm, and lit


def test_an_empty_view_and_a_disposed_one_do_no_harm(viewer):
    viewer.evaluate("begin([])")
    viewer.evaluate("view.look('whole'); view.fit(); view.choose(3); view.section({axis: 'z', at: 0}); view.colourBy(null)")
    begin(viewer, (BLOCK, {}))
    viewer.evaluate("view.dispose()")
    assert viewer.locator(".bw-layer").count() == 0
    assert json.dumps(viewer.evaluate("told.picks")) == "[]"
