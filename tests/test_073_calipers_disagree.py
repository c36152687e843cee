from __future__ import annotations

from pathlib import Path

import msgspec
import pytest

import corpus.solids as solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source, Weight
from lint.ticket import Ticket

RULE = {73: all_rules()[73]}


def found(size: float, *reads: float) -> list[Finding]:
    """Caliper readings across a block of the given size, along x, then y, then z."""
    ends = [f"[{size!r}, 0, 0]", f"[0, {size!r}, 0]", f"[0, 0, {size!r}]"]
    ticket = "".join(f"[[caliper]]\nfrom = [0, 0, 0]\nto = {e}\nread = {r!r}\n" for e, r in zip(ends, reads, strict=False))
    vertices, faces = solids.box((size, size, size))
    part = Part(vertices, faces, Source(Path("block.stl"), "stl", "", 0), units="mm", ticket=msgspec.toml.decode(ticket, type=Ticket))
    return list(examine(part, RULE, Settings()).findings)


@pytest.mark.parametrize(
    ("size", "read", "weight"),
    [
        (40.0, 39.01, None),  # inside 1 mm
        (40.0, 38.99, Weight.CAUTION),
        (40.0, 37.01, Weight.CAUTION),  # inside 3 mm
        (40.0, 36.99, Weight.STOP),
        (250.0, 247.6, None),  # inside 1 %
        (250.0, 247.4, Weight.CAUTION),
        (250.0, 242.4, Weight.STOP),
        (40.0, 41.01, Weight.CAUTION),
    ],
)
def test_limits_are_the_larger_of_length_and_share(size: float, read: float, weight: Weight | None) -> None:
    assert [f.weight for f in found(size, read)] == ([] if weight is None else [weight])


def test_readings_that_agree_give_the_size_correction() -> None:
    """A print 2 % small wants 100 / 0.98 = 102.04 %."""
    assert "102.04 %" in found(200.0, 196.0, 196.0, 196.0)[0].message


def test_readings_that_do_not_agree_are_a_warped_print() -> None:
    assert "warped" in found(200.0, 190.0, 200.0)[0].message
