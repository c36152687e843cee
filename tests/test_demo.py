"""The demo is a raw scan with a gauge in it: the same bytes every time, and true after one resize."""

from __future__ import annotations

import hashlib
from pathlib import Path

import numpy as np
import pytest

from corpus import demo
from lint.load import read
from lint.load.ticket import read_ticket
from lint.measure import Survey


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return demo.write(tmp_path_factory.mktemp("demo"))


def test_it_is_a_raw_scan(written: Path) -> None:
    part = read(written)
    assert part.units is None
    assert 40_000 < len(part.faces) < 65_000
    shells = Survey(part).get("shells")
    assert shells.count >= 12
    assert not shells.closed[:2].any()
    assert len(Survey(part).get("rims")) >= 7
    assert 0.2 < np.ptp(part.vertices[:, 0]) < 0.3  # metres, nose and block


def test_its_ticket_holds_the_block_and_the_scale_that_the_scan_lost(written: Path) -> None:
    ticket = read_ticket(written.parent / f"{demo.NAME}.ticket.toml")
    (length,) = ticket.length
    measured = float(np.linalg.norm(np.subtract(length.to, length.from_)))
    assert measured / (demo.BLOCK * demo.SHRUNK * demo.METRES) == pytest.approx(1, abs=0.002)
    (crop,) = ticket.fix.crop
    assert crop.high is not None
    assert crop.high[0] < min(length.from_[0], length.to[0])


def test_the_same_bytes_every_time(written: Path) -> None:
    again = demo.ply(*demo.scan())
    assert hashlib.sha256(again).hexdigest() == hashlib.sha256(written.read_bytes()).hexdigest()
