"""What a process does while it has no part yet: it judges a block, which loads whatever judging needs."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.shelf import Shelf
from lint.terms import Part, PartReport, Source

_CORNERS = [[x, y, z] for x in (0.0, 30.0) for y in (0.0, 20.0) for z in (0.0, 10.0)]
_FACES = [
    [0, 1, 3], [0, 3, 2], [4, 6, 7], [4, 7, 5], [0, 4, 5], [0, 5, 1], [2, 3, 7], [2, 7, 6], [0, 2, 6], [0, 6, 4], [1, 5, 7], [1, 7, 3],
]  # fmt: skip


def warm() -> PartReport:
    """What all rules say of a block of 30 by 20 by 10 mm."""
    part = Part(np.array(_CORNERS), np.array(_FACES, dtype=np.int64), Source(Path("block.stl"), "stl", "", 0), units="mm")
    return examine(part, all_rules(), Settings(), shelf=Shelf((), lambda path: part))
