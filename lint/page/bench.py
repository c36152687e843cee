"""The process that works for one page: begun when there is work, ended when it takes too long, too much memory, or is told to stop.

The machinery is that of lint/commands/pool.py; what is added is a second pipe, on which the process says how far it is.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import threading
import time
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection, wait
from pathlib import Path
from typing import Any

from lint.commands.pool import DIED, Worker
from lint.page import work

_TICK = 0.2


class Bench:
    """One process at a time, in the folder of one page. Used from one thread at a time, but for `stop`."""

    def __init__(self, folder: Path, memory: float | None) -> None:
        self._folder = folder
        self._memory = memory if memory is not None else _half_of_the_machine()
        self._worker: Worker | None = None
        self._hear: Connection | None = None
        self._halt = threading.Event()
        self._ended = False

    def do(self, job: dict[str, Any], deadline: float, say: Callable[[Any], None]) -> Mapping[str, Any]:
        """Have a piece of work done. Returns {"done": ...}, or {"fault": one plain line}; never raises for what the work is like."""
        self._halt.clear()
        if self._ended:
            return {"fault": "the page was closed"}
        try:
            return self._done(job, deadline, say)
        except Exception as error:
            self._drop()
            return {"fault": f"this is a bug of buckwright: {type(error).__name__}: {error}", "bug": True}

    def _done(self, job: dict[str, Any], deadline: float, say: Callable[[Any], None]) -> Mapping[str, Any]:
        if self._worker is None:
            self._begin()
        worker, progress = self._worker, self._hear
        assert worker is not None
        assert progress is not None
        began, given = time.monotonic(), worker.idle
        if given:
            worker.give(0, [job])
        while True:
            for pipe in wait([worker.pipe, progress], _TICK):
                if pipe is progress:
                    with contextlib.suppress(EOFError, OSError):
                        say(progress.recv())
                        continue
                    self._drop()
                    return _DIED
                heard = worker.hear()
                if heard is DIED:
                    self._drop()
                    return _DIED
                if given:
                    self._told(progress, say)
                    return dict(heard)
                worker.give(0, [job])  # it was only now ready
                given = True
            if self._halt.is_set() or self._ended:
                self._drop()
                return {"fault": "stopped, as you asked; nothing was written", "stopped": True}
            if time.monotonic() - began > deadline:
                self._drop()
                return {"fault": f"it took over {deadline:g} s and was given up; thin the scan out first, or start with --deadline SECONDS"}

    @staticmethod
    def _told(progress: Connection, say: Callable[[Any], None]) -> None:
        """What was said before the end and not yet heard."""
        while progress.poll():
            say(progress.recv())

    def stop(self) -> None:
        """Break off what is being done, soon; from any thread."""
        self._halt.set()

    def leave(self) -> None:
        """Break off what is being done, and take on nothing more; from any thread."""
        self._ended = True

    def end(self) -> None:
        """Let the process go, once nothing is being done any more."""
        self._ended = True
        self._drop()

    def _begin(self) -> None:
        hear, tell = multiprocessing.get_context("spawn").Pipe(duplex=False)
        self._worker = Worker(work.work, work.prepare, (os.fspath(self._folder), tell), self._memory)
        tell.close()
        self._hear = hear

    def _drop(self) -> None:
        worker, self._worker = self._worker, None
        hear, self._hear = self._hear, None
        if worker is not None:
            worker.end()
        if hear is not None:
            hear.close()


_DIED = {"fault": "the process that worked on it ended without a word, most often for want of memory: thin the scan out first"}


def _half_of_the_machine() -> float:
    """GiB: half of what this machine has, so that a scan too large brings down its own process and not the maker's desktop."""
    try:
        return max(1.0, os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2 / (1 << 30))
    except (AttributeError, ValueError, OSError):
        return 4.0
