"""The sweep: every mesh of a folder is mended with a standard ticket, and what comes out is judged by other libraries.

`python -m tests.sweep FOLDER [--variants N --seed S]` prints for each mesh the outcome, seconds, peak memory, how far the skin moved
and, where something was not done, why; then the rate. A short seeded run is in the suite (tests/test_sweep.py).

fixed: exit 0 or 1, no stop left, one sound solid by every judge, flat at the bottom, and the skin kept to 0.1 mm (p99) outside the zones.
refused: nothing was written, with one plain line why; or a stop is left, and each of its remedies said why it was not done.
wrong: everything else.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

SKIN_P99_MM = 0.1

Mesh = tuple[np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Case:
    """One mesh to mend. mesh: the file's own numbers, or None where `file` is to be taken as it is.

    truth: skin that must still be there afterwards, in the numbers of the file; None: all that the file holds.
    """

    name: str
    ticket: str
    mesh: Mesh | None = None
    file: str = ""
    truth: Mesh | None = None
    planted: str = ""


@dataclass
class Verdict:
    """What came of one case. moved: p99 and max in mm; kept: the share of the visible skin that no zone covers."""

    name: str
    planted: str
    outcome: str = "wrong"
    why: str = ""
    seconds: float = 0.0
    peak_mib: float = 0.0
    moved_p99: float | None = None
    moved_max: float | None = None
    kept: float | None = None
    faces: int = 0
    undone: list[str] = field(default_factory=list)
    done: list[str] = field(default_factory=list)
