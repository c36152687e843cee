"""A maker at the local page, in a headless browser: each step of the card as one thing to do."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from corpus import solids
from lint.save import encode
from lint.terms import Part, Source
from tests.page_server import Served


class Maker:
    """One open page. `console` holds what it complained of, `strangers` what it asked of anybody but us."""

    def __init__(self, context: Any, served: Served, address: str = "") -> None:
        self.page = context.new_page()
        self.page.set_default_timeout(40_000)
        self.console: list[str] = []
        self.strangers: list[str] = []
        self.page.on("console", lambda m: self.console.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda e: self.console.append(str(e)))
        ours = (served.origin + "/", f"blob:{served.origin}/")
        self.page.on("request", lambda r: self.strangers.append(r.url) if not r.url.startswith(ours) else None)
        self.page.goto(address or served.address)
        self.page.wait_for_selector("#pick, .trouble:not([hidden])", state="attached")

    def drop(self, *paths: Path) -> None:
        self.page.set_input_files("#pick", [str(p) for p in paths])

    def read(self, *paths: Path) -> None:
        self.drop(*paths)
        self.page.wait_for_selector(".facts")

    def let_fall(self, path: Path) -> None:
        """Drop a file on the page, as a hand does."""
        carried = self.page.evaluate_handle(
            "([name, data]) => { const t = new DataTransfer();"
            " t.items.add(new File([Uint8Array.from(atob(data), (c) => c.charCodeAt(0))], name)); return t; }",
            [path.name, base64.b64encode(path.read_bytes()).decode()],
        )
        self.page.dispatch_event("body", "drop", {"dataTransfer": carried})
        self.page.wait_for_selector(".facts")

    def step(self) -> str:
        text: str = self.page.locator(".step.open h2").inner_text()
        return text

    def up_to_the_work(self) -> None:
        """From a scan in millimetres that was read to the step before the work begins, each question left at its answer."""
        for title in ("What it is", "Its true size"):
            self.next(title)
        self.choose("Millimetres")
        for title in ("The part you want", "Printer, mould and base", "What is wrong with it", "What will be done"):
            self.next(title)

    def next(self, title: str) -> None:
        """Press Next and wait until the step of that title stands open, its picture drawn and its ticket written."""
        self.page.click("#next")
        self.page.wait_for_function("title => document.querySelector('.step.open h2')?.textContent === title", arg=title)
        self.page.wait_for_selector("#next", timeout=90_000)
        self.settled()

    def settled(self) -> None:
        self.page.wait_for_timeout(50)
        self.page.wait_for_function("() => !document.body.classList.contains('busy')", timeout=120_000)

    def choose(self, words: str) -> None:
        self.page.get_by_role("radio", name=words).first.check()
        self.settled()

    def write(self, label: str, value: str) -> None:
        field = self.page.get_by_label(label, exact=True)
        field.fill(value)
        field.blur()
        self.settled()

    def mended(self) -> None:
        self.page.click("#next")
        self.page.wait_for_selector(".take, .fault", timeout=1_700_000)
        assert self.page.locator(".fault").count() == 0, self.fault()
        self.settled()

    def save(self, words: str, folder: Path) -> Path:
        with self.page.expect_download() as download:
            self.page.click(f"text={words}")
        path = folder / download.value.suggested_filename
        download.value.save_as(path)
        return path

    def fault(self) -> str:
        self.page.wait_for_selector(".fault")
        text: str = self.page.locator(".fault").inner_text()
        return text

    def picture(self) -> np.ndarray:
        """The pixels of the canvas as shown, (height, width, 3)."""
        import io

        image = pytest.importorskip("PIL.Image")
        return np.asarray(image.open(io.BytesIO(self.page.locator(".bw-view").screenshot())).convert("RGB"))


def complaints(page: Any, *rules: str) -> list[str]:
    """What axe-core finds wrong with the page as it stands, by all of its rules or by some."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="axe-playwright-python is not installed")
    options = {"runOnly": list(rules)} if rules else {"rules": {"target-size": {"enabled": True}}}
    found = axe.Axe().run(page, options=options).response["violations"]
    return [f"{v['id']}: {n['html'][:120]} ({n['failureSummary'][:200]})" for v in found for n in v["nodes"]]


def part_file(path: Path, vertices: np.ndarray, faces: np.ndarray) -> Path:
    path.write_bytes(encode(Part(vertices, faces, Source(path, "x", "", 0), "mm"), path.suffix))
    return path


def cube(path: Path, side: float = 20.0) -> Path:
    return part_file(path, *solids.box((side, side, side), step=side / 4))


def dome(path: Path, radius: float = 25.0) -> Path:
    """An open sheet: the upper part of an egg, as a scan of a tin king's nose would be."""
    vertices, faces = solids.ball(radius, level=4)
    kept = faces[(vertices[faces][:, :, 2] > 0.15 * radius).all(axis=1)]
    used, index = np.unique(kept, return_inverse=True)
    return part_file(path, vertices[used] * (1.0, 1.25, 0.9), index.reshape(-1, 3))
