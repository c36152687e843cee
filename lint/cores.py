"""How many cores this process may work on at once: one, unless the command that began it says more."""

from __future__ import annotations

import itertools
import os
from collections.abc import Callable

_cores = 1


def use(count: int) -> None:
    """Let this process work on so many cores, at least one."""
    global _cores
    _cores = max(count, 1)


def count() -> int:
    """So many may be used."""
    return _cores


def allowed() -> int:
    """The cores that the system lets this process run on, at least one: on a shared machine not all that it has."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0)) or 1
    return os.cpu_count() or 1


def shared(work: Callable[[slice], None], length: int, least: int) -> None:
    """Do work on slices that together cover `length` items: on all cores at once, none given fewer than `least` items.

    Only for work that lets the interpreter's lock go. An exception of any slice is raised.
    """
    parts = max(min(_cores, length // max(least, 1)), 1)
    if parts == 1:
        work(slice(0, length))
        return
    from concurrent.futures import ThreadPoolExecutor

    cuts = [length * k // parts for k in range(parts + 1)]
    with ThreadPoolExecutor(parts) as pool:
        for _ in pool.map(work, [slice(a, b) for a, b in itertools.pairwise(cuts)]):
            pass
