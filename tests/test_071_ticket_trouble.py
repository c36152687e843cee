from __future__ import annotations

from pathlib import Path

import msgspec
import numpy as np
import pytest

from corpus import solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, Part, Source
from lint.ticket import Ticket

RULE = {71: all_rules()[71]}


def found(ticket: str) -> list[Finding]:
    """What is said of a 40 mm block in metres' worth of file numbers (0.04), so that the points must be carried."""
    vertices, faces = solids.box((0.04, 0.04, 0.04))
    part = Part(
        vertices * 1000, faces, Source(Path("block.stl"), "stl", "", 0), units="m", placement=np.diag([1000.0, 1000, 1000, 1]),
        ticket=msgspec.toml.decode(ticket, type=Ticket),
    )  # fmt: skip
    return list(examine(part, RULE, Settings()).findings)


def test_points_on_the_part_are_clean() -> None:
    assert not found("[[length]]\nfrom = [0.0, 0.02, 0.02]\nto = [0.04, 0.02, 0.02]\ntrue = 40.0\n")
    assert not found("[[caliper]]\nfrom = [0.0, 0.02, 0.02]\nto = [0.045, 0.02, 0.02]\nread = 40.0\n")


def test_a_gauge_block_beside_the_part_is_clean_and_one_in_the_next_room_is_not() -> None:
    assert not found("[[length]]\nfrom = [0.1, 0.0, 0.0]\nto = [0.14, 0.0, 0.0]\ntrue = 40.0\n")
    far = found("[[length]]\nfrom = [10.0, 0.0, 0.0]\nto = [10.04, 0.0, 0.0]\ntrue = 40.0\n")
    assert [f.case for f in far] == ["far off", "far off"]


def test_a_caliper_point_in_the_air_is_named_with_its_distance() -> None:
    (finding,) = found('[[caliper]]\nfrom = [0.0, 0.0, 0.0]\nto = [0.09, 0.0, 0.0]\nread = 40.0\nname = "edge"\n')
    assert finding.measured == pytest.approx(100 * 50 / (40 * 3**0.5))
    assert "[[caliper]] 1 to" in finding.message


@pytest.mark.parametrize(
    ("ticket", "case"),
    [
        ("[[length]]\nfrom = [0, 0, 0]\nto = [0, 0, 0]\ntrue = 40\n", "no length"),
        ("[use]\npull = [0, 0, 0]\n", "no direction"),
        ("[part]\nface = [0, 0, 0]\n", "no direction"),
        ("[[fix.crop]]\nlow = [0, 0, 1]\nhigh = [1, 1, 0]\n", "empty box"),
        ("[[fix.crop]]\npoint = [0, 0, 1]\naway = [0, 0, 0]\n", "no direction"),
    ],
)
def test_what_cannot_be_true(ticket: str, case: str) -> None:
    assert [f.case for f in found(ticket)] == [case]
