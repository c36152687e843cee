"""The page of a report in a real browser: it opens quietly, shows every place, cuts, measures, and is there for everybody."""

from __future__ import annotations

import io
import re

import numpy as np
import pytest

from corpus import solids
from lint.settings import Settings
from tests.browser import pages

AFTER = (0.9, 0.5)  # where the part after the fix is drawn, see _inked


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("pages")


@pytest.fixture(scope="module")
def block(folder):
    return pages.written(pages.of(pages.block()), folder / "block.html")


@pytest.fixture(scope="module")
def several(folder):
    return pages.written(pages.of(pages.evil(), pages.ball(), pages.hollow()), folder / "several.html")


@pytest.fixture(scope="module")
def fixed(folder):
    return pages.written(pages.fixed(), folder / "fixed.html")


@pytest.mark.parametrize("name", ["several", "fixed"])
def test_opens_without_complaint_or_request(name, opened, request):
    path = request.getfixturevalue(name)
    sheet = opened(path)
    assert sheet.complaints == []
    assert sheet.requests == [path.as_uri()]
    assert "owned" not in sheet.page.title()


def test_the_policy_stops_what_is_not_ours(block, opened):
    sheet = opened(block)
    sheet.page.evaluate("""() => {
        const script = document.createElement('script');
        script.textContent = 'document.title = "ran"';
        document.body.append(script);
        const picture = new Image();
        picture.src = 'http://127.0.0.1:9/x.png';
        document.body.append(picture);
        return fetch('http://127.0.0.1:9/').catch(() => 0);
    }""")
    assert sheet.page.title() != "ran"
    refused = " ".join(c for c in sheet.complaints if "Content Security Policy" in c)
    assert all(directive in refused for directive in ("script-src", "img-src", "connect-src"))


def test_a_pin_is_clicked_and_its_place_in_the_list_is_marked(block, opened):
    sheet = opened(block)
    sheet.page.get_by_role("button", name="Pin 2: caution: locks in the mould").click()
    current = sheet.page.locator("li[aria-current=true]")
    assert current.get_attribute("value") == "2"
    assert sheet.status().startswith("Place 2, caution: locks in the mould.")


def test_the_list_flies_to_the_place(block, opened):
    sheet = opened(block)
    for number in (1, 2):
        sheet.page.get_by_role("button", name=f"Show place {number}", exact=True).click()
        sheet.page.wait_for_selector(f".bw-pin.chosen[data-number='{number}']")
        pin, canvas = (sheet.page.locator(s).bounding_box() for s in (".bw-pin.chosen", "canvas"))
        assert abs(pin["x"] + pin["width"] / 2 - canvas["x"] - canvas["width"] / 2) < 40
        assert abs(pin["y"] + pin["height"] - canvas["y"] - canvas["height"] / 2) < 60
        assert f"Place {number}," in sheet.status()


def test_motion_comes_to_the_same_place_with_and_without_gliding(block, opened):
    spots = []
    for still in (True, False):
        sheet = opened(block, still=still)
        sheet.page.get_by_role("button", name="Show place 1", exact=True).click()
        if not still:
            sheet.page.wait_for_timeout(900)
        spots.append(sheet.page.locator(".bw-pin.chosen").bounding_box())
    assert spots[0] == pytest.approx(spots[1], abs=2)


def test_measures_a_block_across_its_faces_or_from_point_to_point(block, opened):
    sheet = opened(block)
    sheet.page.get_by_role("button", name="Measure a length").click()

    def measured(one, other, spots, words):
        for side, spot in zip((one, other), spots, strict=True):
            sheet.page.click(f"[data-look={side}]")
            sheet.click_middle(spot, spot)
        found = re.fullmatch(rf"(\d+\.\d+) mm, {words}\.", sheet.status())
        assert found, sheet.status()
        return float(found[1])

    across = "square across, between two flat faces"
    for one, other, true in (("left", "right", 40.0), ("front", "back", 20.0), ("above", "below", 10.0)):
        assert measured(one, other, (0.48, 0.54), across) == pytest.approx(true, abs=0.02)  # the clicks are not opposite one another
    sheet.page.get_by_label("take hold of whole flat faces and balls").uncheck()
    assert measured("left", "right", (0.5, 0.5), "from point to point, in a straight line") == pytest.approx(40.0, abs=0.1)
    assert sheet.page.locator(".lengths li").count() == 4


def test_keys_alone_go_the_whole_way(several, opened):
    sheet = opened(several)
    sheet.page.get_by_role("button", name="Turn it in the hand").first.focus()
    sheet.page.keyboard.press("Enter")
    sheet.page.wait_for_selector("#viewer[data-ready='1']")
    assert sheet.page.evaluate("document.activeElement.tagName") == "CANVAS"
    press = sheet.page.keyboard.press
    press("n")
    assert sheet.status().startswith("Place 2, ") or sheet.status().startswith("Place 1, ")
    press("x")
    assert sheet.status() == "Cut open at x = 5.0 mm. Where it is lined, it is solid."
    press("]")
    assert sheet.status().startswith("Cut open at x = 5.3 mm.")
    press("x")
    assert sheet.status() == "Whole again."
    press("0")
    for key in ("ArrowLeft", "ArrowUp", "+", "-", "Shift+ArrowLeft", "Shift+ArrowRight"):
        press(key)
    press("m")
    assert sheet.status().startswith("Choose the first end")
    press("ArrowRight")
    press("Shift+ArrowDown")
    press("Enter")
    found = re.search(r"Holding a ball, (\d+\.\d+) mm across", sheet.status())
    assert found, sheet.status()
    assert float(found[1]) == pytest.approx(25.0, abs=0.1)
    press("Escape")
    assert sheet.status() == "Let go. Choose the first end."
    press("Escape")
    assert sheet.status() == "Measuring ended."
    assert sheet.complaints == []


def test_parts_asked_for_in_haste_end_with_the_last_one_whole(several, opened):
    sheet = opened(several)
    sheet.page.evaluate("[1, 2, 0, 1, 2].forEach((k) => document.querySelector(`.go[data-room='${k}']`).click())")
    sheet.page.wait_for_selector("#viewer[data-ready='2']")
    sheet.page.wait_for_selector("text=Place 1, stop: open edge. Open for 10 mm at troll.stl.")
    assert sheet.page.locator("canvas").get_attribute("aria-label") == "troll.stl, to turn in the hand"
    assert sheet.page.locator(".sight[data-room='2'] #viewer").count() == 1
    assert sheet.page.locator(".bw-pin").count() == 2
    assert sheet.complaints == []


def test_a_cut_shows_where_there_is_material_and_where_there_is_none(several, opened):
    sheet = opened(several)
    sheet.page.locator(".sight[data-room='2'] .turn").click()
    sheet.page.wait_for_selector("#viewer[data-ready='2']")
    sheet.page.click("[data-look=right]")
    sheet.press("x")
    share = {where: _inked(sheet, across, 0.5) for where, across in (("wall", 0.31), ("hollow", 0.5))}
    assert share["wall"] > 0.08
    assert share["hollow"] < 0.01


def _inked(sheet, across, down):
    """The share of a small square of the picture that is in the pencil's violet."""
    box = sheet.page.locator("canvas").bounding_box()
    high = box["height"]
    clip = {"x": box["x"] + box["width"] / 2 + (across - 0.5) * high - 15, "y": box["y"] + down * high - 15, "width": 30, "height": 30}
    return float(np.mean(_violet(_pixels(sheet.page.screenshot(clip=clip)))))


def _violet(pixels):
    red, green, blue = (pixels[..., k].astype(int) for k in range(3))
    return (blue - green > 25) & (red - green > 5)


def _pixels(png):
    """The pixels, (h, w, 3), of a picture."""
    image = pytest.importorskip("PIL.Image", reason="Pillow, which reads the picture, is not installed")
    return np.asarray(image.open(io.BytesIO(png)).convert("RGB"))


def test_before_and_after_lie_side_by_side_and_the_movement_is_mapped(fixed, opened):
    sheet = opened(fixed)
    assert sheet.page.locator(".names").inner_text().split() == ["before", "after"]
    sheet.page.get_by_role("button", name="Show how far it moved").click()
    bands = sheet.page.locator(".bands li")
    assert bands.count() == 6
    assert "0.08 to 0.1 mm" in bands.nth(4).inner_text()
    sheet.page.wait_for_selector(".bw-pin[data-number='1']", state="hidden")  # what is left would hide the map
    assert sheet.page.locator(".bw-pin:visible").evaluate_all("pins => pins.map(p => p.dataset.number)") == ["2", "3", "4"]
    sheet.page.click("[data-look=above]")
    mapped = _inked(sheet, *AFTER)
    sheet.page.get_by_role("button", name="Show how far it moved").click()
    plain = _inked(sheet, *AFTER)
    assert plain < 0.02
    assert mapped > 0.3
    assert sheet.complaints == []


def test_bed_and_pull_are_drawn_with_their_words(block, opened):
    sheet = opened(block)
    for label in ("the bed, and which way is up in the print", "the way the mould comes off"):
        sheet.page.get_by_label(label).check()
    words = sheet.page.locator(".bw-label:visible").all_inner_texts()
    assert sorted(words) == ["front of the bed, 120 x 120 mm", "printed upwards", "the mould comes off this way"]


def test_where_the_ticket_says_no_bed_its_level_is_drawn_and_that_is_said(folder, opened):
    path = pages.written(pages.of(pages.seen(solids.box((40.0, 20.0, 10.0)), "troll.stl", settings=Settings())), folder / "no bed.html")
    sheet = opened(path)
    sheet.page.get_by_label("the bed, and which way is up in the print").check()
    assert sorted(sheet.page.locator(".bw-label:visible").all_inner_texts()) == ["printed upwards", "the level of the bed"]
    assert sheet.page.get_by_label("the way the mould comes off").is_disabled()
    assert "The ticket does not say how large the bed is (its level is drawn), nor which way" in sheet.page.inner_text(".more")


@pytest.mark.parametrize(("name", "dark"), [("several", False), ("fixed", True)])
def test_axe_finds_nothing_at_fault_in_light_and_dark(name, dark, opened, request):
    sheet = opened(request.getfixturevalue(name), dark=dark)
    sheet.press("n", "x", "m")
    assert sheet.axe() == []
    sheet.page.get_by_label("light" if dark else "dark", exact=True).check()
    assert sheet.axe() == []


def test_the_switch_of_light_wins_over_the_machine(block, opened):
    sheet = opened(block, dark=True)
    background = "getComputedStyle(document.documentElement).backgroundColor"
    dark = sheet.page.evaluate(background)
    sheet.page.get_by_label("light", exact=True).check()
    light = sheet.page.evaluate(background)
    sheet.page.get_by_label("dark", exact=True).check()
    assert sheet.page.evaluate(background) == dark != light


def test_without_script_every_word_and_a_drawing_are_there(several, opened):
    sheet = opened(several, script=False)
    text = sheet.page.inner_text("main")
    assert "Open for 10 mm" in text
    assert "reaching 8 mm around" in text
    assert sheet.page.locator("figure img:visible").count() >= 3
    assert sheet.page.locator("button:visible").count() == 0


def test_without_webgl_the_page_says_so_and_keeps_the_drawings(block, opened):
    none = "HTMLCanvasElement.prototype.getContext = () => null"
    sheet = opened(block, before=none, ready=False)
    sheet.page.wait_for_selector("text=This browser cannot draw the part")
    assert sheet.page.locator("figure img:visible").count() >= 1
    assert sheet.page.locator("button:visible").count() == 0
    assert sheet.complaints == []


def test_on_a_narrow_screen_nothing_runs_over_the_edge(several, opened):
    sheet = opened(several)
    sheet.page.set_viewport_size({"width": 390, "height": 800})
    assert sheet.page.evaluate("document.documentElement.scrollWidth") <= 390
