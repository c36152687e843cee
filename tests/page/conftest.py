"""Servers of the local page with small caps, for the tests of who is answered and of what becomes of files."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from tests.page_server import Served


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    from tests.page_server import SMALL, serving

    with serving(tmp_path_factory.mktemp("pages"), SMALL) as it:
        yield it


@pytest.fixture
def page(served: Served) -> Iterator[str]:
    name = served.begin()
    yield name
    served.ask(f"pages/{name}/bye", {})


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """Another server, with one page."""
    from tests.page_server import SMALL, serving

    with serving(tmp_path_factory.mktemp("shop"), SMALL) as it:
        yield it


@pytest.fixture(scope="module")
def bench(shop: Served) -> str:
    """A page that keeps its process: starting one takes a second."""
    return shop.begin()
