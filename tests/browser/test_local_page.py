"""The local page in a headless browser: the whole way from a dropped scan to a saved part, and what may go wrong on it."""

from __future__ import annotations

import hashlib
import json
import shutil
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("uvicorn", reason="the extra `page` is not installed")

from lint.cli import main
from lint.load import read
from tests.browser.local_page import Maker, complaints, cube, dome
from tests.page_server import Served, serving
from tests.scans import scan


def same_again(saved: list[Path], original: Path, scan_ticket: Path, tmp_path: Path) -> None:
    """The command line, given the scan and the ticket that the page wrote, makes the very files that the page gave out."""
    part, ticket, record = saved
    again = tmp_path / "again"
    again.mkdir()
    shutil.copy(original, again)
    shutil.copy(scan_ticket, again)
    out = again / part.name
    assert main(["fix", str(again / original.name), "--ticket", str(again / scan_ticket.name), "--to", str(out)]) in (0, 1)
    assert hashlib.sha256(out.read_bytes()).hexdigest() == hashlib.sha256(part.read_bytes()).hexdigest()
    assert (again / ticket.name).read_bytes() == ticket.read_bytes()
    assert _timeless(json.loads((again / record.name).read_text())) == _timeless(json.loads(record.read_text()))


def _timeless(data: Any) -> Any:
    """A record without what differs from run to run: seconds and memory."""
    if isinstance(data, dict):
        return {k: _timeless(v) for k, v in data.items() if k not in ("seconds", "peak_mib")}
    return [_timeless(v) for v in data] if isinstance(data, list) else data


def test_from_drop_to_download_on_a_scan_of_a_nose(served: Served, context: Any, tmp_path: Path) -> None:
    """Every step of the card is looked at by axe-core on the way, in light and in dark."""
    original = scan("nose_crop_open.ply")
    maker = Maker(context, served)
    wrong: list[str] = []

    def look() -> None:
        for scheme, rules in (("light", ()), ("dark", ("color-contrast",))):  # only colours differ between them
            maker.page.emulate_media(color_scheme=scheme, reduced_motion="reduce")
            wrong.extend(f"{maker.step()}, {scheme}: {c}" for c in complaints(maker.page, *rules))

    maker.read(original)
    assert "1,252 faces" in maker.page.inner_text(".facts")
    assert len(np.unique(maker.picture().reshape(-1, 3), axis=0)) > 50  # something is drawn
    look()
    maker.next("What it is")
    maker.choose("Nose")
    assert "consent" in maker.page.inner_text(".step.open")
    maker.next("Its true size")
    maker.page.wait_for_selector("text=would fit millimetres")
    maker.choose("Millimetres")
    maker.next("The part you want")
    maker.choose("What stands in a box")
    look()
    maker.page.get_by_label("y", exact=True).first.fill("-50")
    maker.page.get_by_label("y", exact=True).first.blur()
    maker.settled()
    maker.next("Printer, mould and base")
    maker.choose("Liquid resin")
    assert "sensitises the skin" in maker.page.inner_text(".step.open")
    maker.choose("Melted plastic")
    maker.choose("Up")
    maker.write("Flat land around it", "12,5")  # with a comma, as half of the world writes it
    look()
    maker.next("What is wrong with it")
    assert "open edge" in maker.page.inner_text(".findings")
    maker.page.click("button.bw-pin >> nth=0")
    assert maker.page.locator(".place[data-chosen]").count() == 1
    look()
    maker.next("What will be done")
    assert "Touches the surface you see" in maker.page.inner_text(".plan")
    maker.page.get_by_label("mark:").check()
    maker.settled()
    look()
    maker.mended()
    assert "0 stops" in maker.page.inner_text(".tally").split("After:")[1]
    plain = maker.picture()
    maker.page.click("text=How far the skin moved")
    maker.page.wait_for_timeout(300)
    assert (maker.picture() != plain).any()
    look()
    ticket_text = maker.page.inner_text("#ticket")
    ticket = tomllib.loads(ticket_text)
    assert ticket["part"] == {"body": "nose", "units": "mm"}
    assert ticket["use"] == {"pull": [0.0, 0.0, 1.0], "margin": 12.5}
    assert ticket["fix"]["steps"] == ["mark"]
    (crop,) = ticket["fix"]["crop"]
    assert crop["low"][1] == -50.0
    points = read(original).vertices
    untouched = np.array([True, False, True])  # the other sides stand round the whole scan and cut nothing off it
    assert (np.array(crop["low"])[untouched] <= points.min(axis=0)[untouched]).all()
    assert (np.array(crop["high"]) >= points.max(axis=0)).all()
    assert np.allclose(np.array(crop["high"]), points.max(axis=0), atol=0.02)
    saved = [maker.save(words, tmp_path) for words in ("Save the part (3MF)", "Save its ticket", "Save the record")]
    scan_ticket = maker.save("Save the ticket", tmp_path)
    assert [p.name for p in (*saved, scan_ticket)] == [
        "nose_crop_open.buck.3mf", "nose_crop_open.buck.3mf.ticket.toml", "nose_crop_open.buck.3mf.record.json",
        "nose_crop_open.ply.ticket.toml",
    ]  # fmt: skip
    assert scan_ticket.read_text() == ticket_text
    same_again(saved, original, scan_ticket, tmp_path)
    maker.choose("STL")
    stl = maker.save("Save the part (STL)", tmp_path)
    assert main(["fix", str(original), "--ticket", str(scan_ticket), "--to", str(tmp_path / "again" / stl.name)]) in (0, 1)
    assert stl.read_bytes() == (tmp_path / "again" / stl.name).read_bytes()
    assert maker.console == []
    assert maker.strangers == []
    assert wrong == []


def test_the_card_by_keyboard_alone(served: Served, context: Any, tmp_path: Path) -> None:
    """Nothing but Tab, arrows, Space, Enter and figures, from the read scan to the finished part."""
    maker = Maker(context, served)
    page = maker.page
    maker.read(dome(tmp_path / "tin-king.stl"))

    def go(selector: str) -> None:
        for _ in range(80):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                return
        raise AssertionError(f"{selector} was never reached")

    def forward(title: str) -> None:
        go("#next")
        page.keyboard.press("Enter")
        page.wait_for_function("title => document.activeElement.textContent === title", arg=title, timeout=60_000)
        page.wait_for_selector("#next", timeout=60_000)
        maker.settled()

    forward("What it is")
    go(".choice input")
    page.keyboard.press("ArrowUp")  # round to the last
    assert page.get_by_label("Something else").is_checked()
    forward("Its true size")
    go("fieldset:nth-of-type(2) input")
    page.keyboard.press("ArrowDown")
    maker.settled()
    forward("The part you want")
    go(".choice input")
    page.keyboard.press("ArrowDown")
    maker.settled()
    before = page.get_by_label("x", exact=True).first.input_value()
    go(".bw-grip")
    page.keyboard.press("Shift+ArrowRight")
    assert float(page.get_by_label("x", exact=True).first.input_value()) > float(before)
    maker.settled()
    forward("Printer, mould and base")
    forward("What is wrong with it")
    go(".place button")
    page.keyboard.press("Enter")
    assert page.locator(".place[data-chosen]").count() == 1
    forward("What will be done")
    go("#next")
    page.keyboard.press("Enter")
    page.wait_for_selector(".take", timeout=120_000)
    go(".take a.main")
    with page.expect_download() as download:
        page.keyboard.press("Enter")
    assert download.value.suggested_filename == "tin-king.buck.3mf"
    assert maker.console == []


def test_two_ends_are_picked_and_snapped_to_flat_faces(served: Served, context: Any, tmp_path: Path) -> None:
    """A block of 20 mm: one click somewhere on its left face, one somewhere on its right, and the length between is 20.00 mm."""
    maker = Maker(context, served)
    maker.read(cube(tmp_path / "block.stl"))
    maker.next("What it is")
    maker.next("Its true size")
    maker.choose("I know the distance")
    box = maker.page.locator("#canvas").bounding_box()
    for side, off in (("From the left", 9), ("From the right", -14)):
        maker.page.click(f"text={side}")
        maker.page.wait_for_timeout(600)
        maker.page.mouse.click(box["x"] + box["width"] / 2 + off, box["y"] + box["height"] / 2 + off)
    maker.write("True distance between the two ends", "40")
    maker.page.click("text=Mark this length")
    maker.page.wait_for_selector(".marked li")
    maker.settled()
    (length,) = tomllib.loads(maker.page.inner_text("#ticket"))["length"]
    assert np.linalg.norm(np.subtract(length["to"], length["from"])) == pytest.approx(20.0, abs=1e-3)
    assert abs(length["to"][0] - length["from"][0]) == pytest.approx(20.0, abs=1e-3)
    assert length["true"] == 40.0
    maker.page.click("text=Take out")
    maker.settled()
    assert "length" not in tomllib.loads(maker.page.inner_text("#ticket"))
    assert maker.console == []


def test_a_part_of_the_command_line_stands_there_with_its_ticket(chromium: Any, tmp_path: Path) -> None:
    path = dome(tmp_path / "heron.stl")
    path.with_name("heron.stl.ticket.toml").write_text(
        '[part]\nbody = "other"\nunits = "mm"\n[[caliper]]\nfrom = [0.0, 0.0, 1.0]\nto = [0.0, 9.0, 1.0]\nread = 9.0\n', encoding="utf-8"
    )
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    with serving(tmp_path / "pages" if (tmp_path / "pages").mkdir() is None else tmp_path, given=path) as it:
        context = chromium.new_context(reduced_motion="reduce")
        maker = Maker(context, it, it.once)
        maker.page.wait_for_selector(".facts")
        maker.settled()
        ticket = tomllib.loads(maker.page.inner_text("#ticket"))
        assert ticket["part"] == {"body": "other", "units": "mm"}
        assert ticket["caliper"][0]["read"] == 9.0  # what the card does not ask for is kept
        assert str(path) in maker.page.inner_text("#command")
        maker.next("What it is")
        assert maker.page.get_by_label("Something else").is_checked()
        assert maker.console == []
        context.close()
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    assert sorted(p.name for p in tmp_path.iterdir()) == ["heron.stl", "heron.stl.ticket.toml", "pages"]


@pytest.mark.slow
def test_from_drop_to_download_on_the_demo_scan(chromium: Any, tmp_path: Path) -> None:
    """The troll's nose in metres, with its gauge block: found, measured, cut away, seated, hollowed and drained."""
    from corpus import demo

    original = demo.write(tmp_path / "demo")
    (tmp_path / "pages").mkdir()
    with serving(tmp_path / "pages") as it:
        context = chromium.new_context(viewport={"width": 1280, "height": 900}, reduced_motion="reduce")
        maker = Maker(context, it)
        maker.read(original)
        maker.next("What it is")
        maker.choose("Something else")
        maker.write("A short mark for the base, if you want one", "TROLL-1")
        maker.next("Its true size")
        maker.page.click("text=Find the block")
        maker.page.wait_for_selector(".marked li", timeout=120_000)
        maker.settled()
        (length,) = tomllib.loads(maker.page.inner_text("#ticket"))["length"]
        measured = float(np.linalg.norm(np.subtract(length["to"], length["from"])))
        assert measured / (demo.BLOCK * demo.SHRUNK * demo.METRES) == pytest.approx(1, abs=0.002)
        maker.next("The part you want")
        maker.choose("What stands in a box")
        right = maker.page.get_by_label("x", exact=True).nth(1)
        right.fill("0.08148")
        right.blur()
        maker.settled()
        maker.next("Printer, mould and base")
        maker.choose("Flexible")
        maker.choose("Up")
        maker.write("Flat land around it", "15")
        maker.next("What is wrong with it")
        maker.next("What will be done")
        maker.page.get_by_label("hollow:").check()
        maker.settled()
        maker.mended()
        assert "0 stops" in maker.page.inner_text(".tally").split("After:")[1]
        saved = [maker.save(words, tmp_path) for words in ("Save the part (3MF)", "Save its ticket", "Save the record")]
        scan_ticket = maker.save("Save the ticket", tmp_path)
        assert maker.console == []
        assert maker.strangers == []
        context.close()
    same_again(saved, original, scan_ticket, tmp_path)
