"""What may go wrong on the local page, in a headless browser: files, tabs, a browser without 3D, a program that ends."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("starlette", reason="the extra `page` is not installed")
pytest.importorskip("uvicorn", reason="the extra `page` is not installed")

from tests.browser.local_page import Maker, cube, dome
from tests.page_server import Served, files_of, serving


def test_a_browser_without_3d_gets_a_drawing(served: Served, context: Any, tmp_path: Path) -> None:
    context.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
    maker = Maker(context, served)
    maker.read(cube(tmp_path / "block.stl"))
    maker.page.wait_for_function("() => document.querySelector('#empty img')?.naturalWidth > 100")
    for title in ("What it is", "Its true size"):
        maker.next(title)
    maker.choose("I know the distance")
    maker.page.click("text=The two points as numbers")
    for k, value in enumerate(("0.1", "9", "9", "20.1", "11", "8")):
        maker.page.get_by_label("xyz"[k % 3], exact=True).nth(k // 3).fill(value)
    maker.write("True distance between the two ends", "20")
    maker.page.click("text=Mark this length")
    maker.page.wait_for_selector(".marked li")
    for title in ("The part you want", "Printer, mould and base", "What is wrong with it"):
        maker.next(title)
    assert maker.page.evaluate("() => document.querySelector('#empty img').src").split("?")[0].endswith("judged.png")
    assert maker.console == []


def test_a_wrong_file_is_told_and_a_right_one_taken_after(served: Served, context: Any, tmp_path: Path) -> None:
    maker = Maker(context, served)
    for name, data, words in (
        ("letter.pdf", b"%PDF-1.4", "no scan that can be read"),
        ("broken.ply", b"ply\nformat ascii 1.0\nelement vertex 3\n", "broken.ply"),
        ("empty.stl", b"", "it is empty"),
        ("skin.png", b"\x89PNG", "There is no scan among these"),
        ("bad.zip", b"no zip", "pack it again"),
    ):
        (tmp_path / name).write_bytes(data)
        maker.drop(tmp_path / name)
        maker.page.wait_for_function("words => document.querySelector('.fault')?.textContent.includes(words)", arg=words)
        assert maker.page.locator(".fault").count() == 1
        assert maker.step() == "The scan"
    maker.drop(cube(tmp_path / "a.stl"), cube(tmp_path / "b.stl"))
    maker.page.wait_for_function("() => document.querySelector('.fault')?.textContent.includes('2 scans')")
    for name in ("a.mtl", "a.jpg"):  # what belongs to an OBJ stays where it is
        (tmp_path / name).write_bytes(b"map_Kd a.jpg\n")
    maker.read(cube(tmp_path / "a.obj"), tmp_path / "a.mtl", tmp_path / "a.jpg")
    assert maker.page.locator(".fault").count() == 0
    assert "2 files beside it" in maker.page.inner_text(".step.open")
    assert [f for f in files_of(served) if f.startswith(("scan.", "a."))] == ["scan.obj", "scan.png", "scan.view"]
    maker.page.close()
    _until(lambda: files_of(served) == [])
    assert not [line for line in maker.console if "415" not in line]


def test_a_huge_file_is_refused_before_it_is_sent(served: Served, context: Any, tmp_path: Path) -> None:
    huge = tmp_path / "huge.stl"
    with open(huge, "wb") as file:
        file.truncate(4 << 20)
    maker = Maker(context, served)
    maker.drop(huge)
    assert "3 MiB is the most" in maker.fault()
    assert files_of(served) == []
    # A page that does not look first is refused all the same, by the program.
    status = maker.page.evaluate(
        "async () => { const p = (await (await fetch('pages', {method: 'POST', body: '{}'})).json()).page, body = new Uint8Array(4 << 20);"
        " try { return (await fetch(`pages/${p}/file?name=huge.stl`, {method: 'POST', body})).status } catch { return 0 } }"
    )
    assert status in (413, 0)  # 0: the line was cut while it was still sending
    assert files_of(served) == []


def test_two_tabs_have_each_its_own_and_a_closed_tab_leaves_nothing(served: Served, context: Any, tmp_path: Path) -> None:
    one, two = Maker(context, served), Maker(context, served)
    one.let_fall(cube(tmp_path / "one.stl"))
    two.read(dome(tmp_path / "two.ply"))
    assert "one.stl" in one.page.inner_text("#whose")
    assert "two.ply" in two.page.inner_text("#whose")
    one.next("What it is")
    one.choose("Nose")
    two.next("What it is")
    assert "body" not in two.page.inner_text("#ticket")
    kept = ["scan.ply", "scan.png", "scan.png", "scan.stl", "scan.view", "scan.view"]
    assert sorted(f for f in files_of(served) if f.startswith("scan.")) == kept
    one.let_fall(dome(tmp_path / "three.stl"))  # another scan, while step 2 stands open
    one.page.wait_for_function("() => document.querySelector('#whose').textContent.includes('three.stl')")
    one.settled()
    assert "body" not in one.page.inner_text("#ticket")
    one.page.close()
    _until(lambda: [f for f in files_of(served) if f.startswith("scan.")] == ["scan.ply", "scan.png", "scan.view"])
    two.next("Its true size")
    assert two.console == []
    two.page.close()
    _until(lambda: files_of(served) == [])


def test_a_tab_closed_at_work_ends_the_work(served: Served, context: Any, tmp_path: Path) -> None:
    maker = Maker(context, served)
    maker.read(dome(tmp_path / "king.stl"))
    maker.up_to_the_work()
    maker.page.click("#next")
    maker.page.wait_for_selector(".going li")
    maker.page.close()
    _until(lambda: files_of(served) == [])


def test_work_can_be_stopped_and_begun_again(served: Served, context: Any, tmp_path: Path) -> None:
    maker = Maker(context, served)
    maker.read(dome(tmp_path / "king.stl"))
    maker.up_to_the_work()
    maker.page.get_by_label("hollow:").check()  # so that there is time to stop it
    maker.settled()
    maker.page.click("#next")
    maker.page.click(".going ~ .row button")
    assert "stopped" in maker.fault()
    maker.page.click("text=Back to the choices")
    maker.page.wait_for_selector(".plan")
    maker.page.click("#next")
    maker.page.wait_for_selector(".going li")
    maker.page.get_by_role("button", name="Change: Its true size").click()  # to walk away from it is to stop it, too
    maker.settled()
    assert maker.step() == "Its true size"
    maker.choose("Centimetres")
    assert maker.page.locator(".step.ahead").count() == 5
    maker.choose("Millimetres")
    for title in ("The part you want", "Printer, mould and base", "What is wrong with it", "What will be done"):
        maker.next(title)
    maker.page.get_by_label("hollow:").uncheck()
    maker.settled()
    maker.mended()
    assert maker.console == []


def test_a_program_that_has_ended_is_told(chromium: Any, tmp_path: Path) -> None:
    context = chromium.new_context()
    with serving(tmp_path) as it:
        maker = Maker(context, it)
    maker.drop(cube(tmp_path / "a.stl"))
    maker.page.wait_for_selector(".trouble:not([hidden])")
    assert "start it again in the terminal" in maker.page.inner_text(".trouble")
    context.close()


def _until(true: Any) -> None:
    for _ in range(200):
        if true():
            return
        time.sleep(0.05)
    assert true()
