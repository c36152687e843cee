"""Work spread over processes, one part at a time in each, where a process that dies or does not end costs one part and no more.

A process stuck in native code hears no signal that Python could act on and no thread could stop it: its parent kills it and begins
another in its place.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import time
from collections.abc import Callable, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

_READY = "ready"
DIED = object()
_GIB = 1 << 30


def spread(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    jobs: int,
    *,
    order: Sequence[int],
    died: Callable[[Item], Result],
    prepare: Callable[..., None],
    prepare_with: tuple[Any, ...] = (),
    ended: Callable[[int, Item, Result], None] = lambda count, item, result: None,
    late: Callable[[Item], Result] | None = None,
    deadline: float | None = None,
    memory: float | None = None,
    weights: Sequence[int] | None = None,
    room: int | None = None,
) -> list[Result]:
    """The results of `work` on every item, in the order of the items. What `work` or `prepare` raises is raised here.

    order: the indices in the order to begin them, such as the biggest first. prepare: called with prepare_with once in each new
    process. ended: told how many are finished, and which has come. died: the result for an item whose process ended without a word;
    late (died, if not given): for one that took longer than `deadline` seconds. memory: GiB that a process may take beyond what it has
    once prepared. weights, room: bytes that each item takes, and that all in flight may take together; one too large goes alone.
    """
    results: dict[int, Result] = {}
    waiting = list(order)
    workers: list[Worker] = []

    def finish(index: int, result: Result) -> None:
        results[index] = result
        ended(len(results), items[index], result)

    def give(worker: Worker) -> None:
        taken = sum(weights[w.index] for w in workers if w.index is not None) if weights is not None else 0
        for place, index in enumerate(waiting):
            if weights is None or room is None or not taken or taken + weights[index] <= room:
                worker.give(waiting.pop(place), items)
                return

    try:
        while len(results) < len(items):
            while len(workers) < min(jobs, len(items) - len(results)):
                workers.append(Worker(work, prepare, prepare_with, memory))
            heard = wait([w.pipe for w in workers], _patience(workers, deadline))
            for worker in list(workers):
                index = worker.index
                if worker.pipe in heard:
                    said = worker.hear()
                    if said is DIED:
                        workers.remove(worker)
                        worker.end()
                        if index is not None:
                            finish(index, died(items[index]))
                        elif not worker.ready:
                            raise RuntimeError("a process to work in could not be begun")
                        continue
                    worker.ready, worker.index = True, None
                    if index is not None:
                        finish(index, said)
                elif index is not None and deadline is not None and time.monotonic() - worker.since > deadline:
                    workers.remove(worker)
                    worker.end()
                    finish(index, (late or died)(items[index]))
            for worker in [w for w in workers if w.ready and w.index is None]:
                if waiting:
                    give(worker)  # or let it rest until there is room
                else:
                    workers.remove(worker)
                    worker.end()
    finally:
        for worker in workers:
            worker.end()
    return [results[i] for i in range(len(items))]


def _patience(workers: Sequence[Worker], deadline: float | None) -> float | None:
    """Seconds until the first deadline passes; None when there is none to wait for."""
    begun = [w.since for w in workers if w.index is not None]
    return None if deadline is None or not begun else max(0.0, min(begun) + deadline - time.monotonic()) + 0.01


class Worker:
    """A process and the pipe to it. index: of the item it works on; since: when it was given that; ready: it has begun."""

    def __init__(self, *told: Any) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self._process: BaseProcess = context.Process(target=_serve, args=(theirs, *told), daemon=True)
        self._process.start()
        theirs.close()
        self.index: int | None = None
        self.since = 0.0
        self.ready = False

    def give(self, index: int, items: Sequence[Any]) -> None:
        """Hand it an item. One that has died meanwhile is noticed when it is next heard."""
        self.index, self.since = index, time.monotonic()
        with contextlib.suppress(OSError):
            self.pipe.send(items[index])

    def hear(self) -> Any:
        """What it says: a result, or that it is ready; DIED when it has ended without a word. Raises what it raised."""
        try:
            raised, said = self.pipe.recv()
        except (EOFError, OSError):
            return DIED
        if raised:
            raise said
        return said

    def end(self) -> None:
        """Kill it, whatever it is doing; at rest it has nothing to lose."""
        self.pipe.close()
        self._process.kill()
        self._process.join()
        self._process.close()


def _serve(
    pipe: Connection, work: Callable[[Any], Any], prepare: Callable[..., None], prepare_with: tuple[Any, ...], memory: float | None
) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process hears Ctrl-C and ends the others
    try:
        prepare(*prepare_with)
        if memory is not None:
            _cap(memory)
        pipe.send((False, _READY))
        while True:
            pipe.send((False, work(pipe.recv())))
    except (EOFError, BrokenPipeError):
        return  # the first process is gone
    except BaseException as error:
        try:
            pipe.send((True, error))
        except Exception:  # one that cannot be sent is told in words
            pipe.send((True, RuntimeError(f"{type(error).__name__}: {error}")))


def _cap(memory: float) -> None:
    """Let this process take so many GiB more and no more, where the system can: what asks for more fails with MemoryError."""
    try:
        import resource

        with open("/proc/self/statm", encoding="ascii") as file:
            now = int(file.read().split()[0]) * resource.getpagesize()
    except (ImportError, OSError):
        return
    _, most = resource.getrlimit(resource.RLIMIT_AS)
    wanted = now + int(memory * _GIB)
    resource.setrlimit(resource.RLIMIT_AS, (wanted if most == resource.RLIM_INFINITY else min(wanted, most), most))
