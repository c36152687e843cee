"""Whole processes timed: CPU seconds, wall seconds and peak memory of each, by what the system booked for it."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

# Compiled modules are kept from run to run, as those of an installed program are, but not in the checkout.
COMPILED = Path(tempfile.gettempdir()) / "buckwright-bench-compiled"
ROOT = Path(__file__).resolve().parents[2]
ONE_THREAD = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "IGL_NUM_THREADS"), "1")


@dataclass(frozen=True)
class Spent:
    """cpu: user and system seconds; wall: seconds; peak: MB of memory; said: what it printed."""

    cpu: float
    wall: float
    peak: float
    said: str


def once(words: Sequence[str], environment: Mapping[str, str] | None = None, *, good: Sequence[int] = (0,)) -> Spent:
    """Run `python words...` in a process of its own, one thread. Raises RuntimeError when its exit code is not one of the good."""
    given = {**os.environ, **ONE_THREAD, "PYTHONPYCACHEPREFIX": str(COMPILED), **(environment or {})}
    given.pop("PYTHONDONTWRITEBYTECODE", None)
    began = time.perf_counter()
    process = subprocess.Popen([sys.executable, *words], cwd=ROOT, env=given, stdout=subprocess.PIPE)
    assert process.stdout is not None
    said = process.stdout.read().decode()
    _, status, used = os.wait4(process.pid, 0)
    wall = time.perf_counter() - began
    process.returncode = os.waitstatus_to_exitcode(status)
    process.stdout.close()
    if process.returncode not in good:
        raise RuntimeError(f"{' '.join(words)} ended with {process.returncode}")
    return Spent(used.ru_utime + used.ru_stime, wall, used.ru_maxrss / 1024, said)


def middle(runs: Sequence[Spent]) -> Spent:
    """The medians of several runs, each number for itself."""
    cpu, wall, peak = (statistics.median(getattr(run, name) for run in runs) for name in ("cpu", "wall", "peak"))
    return Spent(cpu, wall, peak, runs[-1].said)


def lint(part: Path) -> Spent:
    """One `buckwright lint` of one part, every rule, as JSON, nothing taken from an earlier run."""
    return once(["-m", "lint.cli", "lint", str(part), "--as", "json", "--fresh"], good=(0, 1))


def task(name: str, part: Path, environment: Mapping[str, str] | None = None) -> Spent:
    """One piece of work of tests/bench/tasks.py."""
    return once(["-m", "tests.bench.tasks", name, str(part)], environment)
