"""A headless browser for the tests of pages. They skip, with the reason, where none is installed."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

# Drawing is done by the processor, so that every machine draws alike; nothing of the browser's own goes to the network.
FLAGS = [
    "--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A running headless Chromium."""
    api = pytest.importorskip("playwright.sync_api", reason="playwright, which steers the browser, is not installed")
    path = os.environ.get("BUCKWRIGHT_CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
    if path is None:
        pytest.skip("no Chromium on this machine (install it, or name it in BUCKWRIGHT_CHROMIUM)")
    with api.sync_playwright() as steering:
        browser = steering.chromium.launch(executable_path=path, args=FLAGS)
        yield browser
        browser.close()


@dataclass
class Sheet:
    """An open page with what it has complained of and asked for."""

    page: Any
    complaints: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)

    def status(self) -> str:
        """What the page last said aloud."""
        return str(self.page.inner_text(".status"))

    def press(self, *keys: str) -> None:
        """Keys on the picture."""
        for key in keys:
            self.page.locator("canvas").press(key)

    def click_middle(self, across: float = 0.5, down: float = 0.5) -> None:
        """A click on the picture, at these shares of its width and height; the middle when nothing is said."""
        box = self.page.locator("canvas").bounding_box()
        self.page.mouse.click(box["x"] + across * box["width"], box["y"] + down * box["height"])

    def axe(self) -> list[tuple[str, str]]:
        """What axe-core finds at fault: rule and element."""
        import axe_playwright_python

        script = (Path(axe_playwright_python.__file__).parent / "axe.min.js").read_text(encoding="utf-8")
        self.page.evaluate(script)
        found = self.page.evaluate("axe.run(document, {rules: {'target-size': {enabled: true}}})")
        return [(v["id"], n["html"]) for v in found["violations"] for n in v["nodes"]]


SIZE = {"width": 1120, "height": 800}


class Tabs:
    """Open tabs, one for each way of looking, used again from test to test: a browser takes longer to make one than to turn the page."""

    def __init__(self, chromium: Any) -> None:
        self._chromium = chromium
        self._sheets: dict[tuple[object, ...], Sheet] = {}
        self.contexts: list[Any] = []

    def sheet(self, dark: bool, script: bool, still: bool, before: str) -> Sheet:
        key = (dark, script, still, before)
        if key not in self._sheets:
            context = self._chromium.new_context(
                viewport=SIZE, color_scheme="dark" if dark else "light", java_script_enabled=script,
                reduced_motion="reduce" if still else "no-preference",
            )  # fmt: skip
            self.contexts.append(context)
            if before:
                context.add_init_script(before)
            self._sheets[key] = sheet = Sheet(context.new_page())
            sheet.page.on("console", lambda m: sheet.complaints.append(m.text) if m.type in ("error", "warning") else None)
            sheet.page.on("pageerror", lambda e: sheet.complaints.append(str(e)))
            sheet.page.on("request", lambda r: sheet.requests.append(r.url))
        return self._sheets[key]


@pytest.fixture(scope="session")
def tabs(chromium: Any) -> Iterator[Tabs]:
    """The tabs of this run."""
    made = Tabs(chromium)
    yield made
    for context in made.contexts:
        context.close()


@pytest.fixture
def opened(tabs: Tabs) -> Callable[..., Sheet]:
    """opened(path, dark=False, script=True, still=True, before="") opens a file of a page and waits until its part is shown.

    still: the reader wants no motion; before: a script that runs before any of the page's.
    """

    def open_page(
        path: Path, *, dark: bool = False, script: bool = True, still: bool = True, before: str = "", ready: bool = True
    ) -> Sheet:
        sheet = tabs.sheet(dark, script, still, before)
        sheet.page.goto("about:blank")
        sheet.page.set_viewport_size(SIZE)
        sheet.complaints.clear()
        sheet.requests.clear()
        sheet.page.goto(path.as_uri())
        if script and ready:
            sheet.page.wait_for_selector("#viewer[data-ready]", timeout=60_000)
        return sheet

    return open_page


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A local page that takes no more than 3 MiB."""
    pytest.importorskip("starlette", reason="the extra `page` is not installed")
    pytest.importorskip("uvicorn", reason="the extra `page` is not installed")
    from lint.page.sessions import Caps
    from tests.page_server import serving

    with serving(tmp_path_factory.mktemp("pages"), Caps(upload=3 << 20)) as it:
        yield it


@pytest.fixture
def context(chromium: Any) -> Iterator[Any]:
    """A browser window of one's own, in which nothing glides."""
    it = chromium.new_context(viewport={"width": 1000, "height": 640}, reduced_motion="reduce", color_scheme="light")
    yield it
    it.close()
