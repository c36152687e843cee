"""Runs killed without warning leave old files or new ones, whole, and nothing that a later run trips over."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from lint.store import Store
from tests import kills

pytestmark = pytest.mark.skipif(not hasattr(os, "fork"), reason="the runs to be killed are forked")


def _torn(path: Path, data: bytes) -> None:
    """Write in place, so slowly that half a file is there most of the time, however fast the machine."""
    with path.open("wb") as file:
        for part in (data[: len(data) // 2], data[len(data) // 2 :]):
            file.write(part)
            file.flush()
            time.sleep(0.01)


@pytest.mark.parametrize(
    ("name", "count"),
    [("fix", 1), ("fix, writing", 3), ("accept, two at once", 4), ("size", 2), ("ticket", 2), ("store, two at once", 4)],
)
def test_nothing_is_lost_when_a_run_is_killed(name: str, count: int, tmp_path: Path) -> None:
    tally = kills.run(name, count, 1, tmp_path)
    assert not tally.failures
    assert tally.kills == count
    assert tally.rounds >= count


def test_a_loss_would_be_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The judge itself, held to a writer that writes in place."""

    def in_place(path: Path, data: bytes, **_: object) -> None:
        _torn(path, data)

    monkeypatch.setattr("lint.save.atomic.swap_in", in_place)
    tally = kills.run("accept, two at once", 8, 1, tmp_path)
    assert tally.failures


def test_a_torn_entry_of_the_store_would_be_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The judge itself, held to a store that writes in place."""

    def in_place(self: Store, key: str, content: bytes) -> bool:
        path = Path(self._path(key))
        path.parent.mkdir(parents=True, exist_ok=True)
        _torn(path, content)
        return True

    monkeypatch.setattr(Store, "put", in_place)
    failures = kills.run("store, two at once", 4, 1, tmp_path).failures
    assert any("is not whole" in failure for failure in failures)
