"""Specimens: meshes made by code, each with what must be said of it.

Every file `fault_NNN_*.py` or `sound_*.py` in this folder has one function `make() -> Specimen`. A fault specimen is judged by
its own rule only (a later rule must not break an older specimen); a sound one must be clean by every rule that can be run.
"""

from __future__ import annotations

import importlib
import pkgutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True)
class Expect:
    """One finding that must be made: rule, case, the measured value and how close it must be (absolute, in its unit)."""

    rule: int
    case: str
    measured: float
    within: float


@dataclass(frozen=True)
class Specimen:
    """A mesh with its ticket and what must be said of it.

    vertices (n, 3) float64 and faces (m, 3) int64, in mm unless the ticket says otherwise; ticket: TOML text.
    expect: every finding of `rule` that must be made, no more; a sound specimen has rule None and may list in `may` the
    numbers of rules that speak rightly all the same (such as "unmarked").
    """

    what: str
    vertices: NDArray[np.float64]
    faces: NDArray[np.int64]
    ticket: str = '[part]\nunits = "mm"\n'
    rule: int | None = None
    expect: tuple[Expect, ...] = ()
    may: tuple[int, ...] = ()


def specimens() -> dict[str, Specimen]:
    """Every specimen by the name of its file, made anew."""
    return {name: importlib.import_module(f"corpus.{name}").make() for name in names()}


def names() -> list[str]:
    """The names of all specimens, in order."""
    found = (m.name for m in pkgutil.iter_modules([str(Path(__file__).parent)]))
    return sorted(n for n in found if n.startswith(("fault_", "sound_")))
