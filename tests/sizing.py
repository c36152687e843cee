"""One rule of true size asked about one mesh with one ticket."""

from __future__ import annotations

from typing import Any

import msgspec
import numpy as np

from corpus import solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import Finding, Part, PartReport
from lint.ticket import Ticket
from tests.gauges import part_of


def ticketed(mesh: solids.Mesh, text: str = "", units: str | None = "mm") -> Part:
    """A part whose file numbers are in `units`."""
    return part_of(mesh, units, msgspec.toml.decode(text, type=Ticket))


def report(part: Part, *numbers: int, **flags: Any) -> PartReport:
    return examine(part, {n: all_rules()[n] for n in numbers}, gather(part.ticket, flags=flags))


def said(part: Part, number: int, **flags: Any) -> list[Finding]:
    return list(report(part, number, **flags).findings)


def bar(measured: float, true: float, name: str = "") -> str:
    """A [[length]] along x from the corner of a block."""
    called = f'name = "{name}"\n' if name else ""
    return f"[[length]]\nfrom = [0.0, 0.0, 0.0]\nto = [{measured!r}, 0.0, 0.0]\ntrue = {true!r}\n{called}"


def box_with_reach(reach: float) -> solids.Mesh:
    """A block whose long diagonal is `reach`."""
    side = np.array([0.8, 0.5, 0.33166247903554])
    return solids.box(reach * side / np.linalg.norm(side))
