"""Work spread over processes, one part at a time in each, where a process that dies or does not end costs one part and no more.

A process stuck in native code hears no signal that Python could act on and no thread could stop it: its parent kills it and begins
another in its place.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import signal
import time
from collections.abc import Callable, Iterable, Sequence
from multiprocessing.connection import Connection, wait
from multiprocessing.process import BaseProcess
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

_READY = "ready"
DIED = object()
_GIB = 1 << 30


class Pool:
    """Processes that begin once and work on one lot of items after another. Use as a context: at its end they are ended.

    work: called in them with every item, and with what is told first, for which it returns None; begin: called once in each, as it
    begins; memory: GiB that one may take beyond what it has then.
    """

    def __init__(self, work: Callable[[Any], Any], begin: Callable[[], None], memory: float | None = None) -> None:
        self._made = work, begin, (), memory
        self._workers: list[Worker] = []

    def __enter__(self) -> Pool:
        return self

    def __exit__(self, *_: object) -> None:
        while self._workers:
            self._workers.pop().end()

    def man(self, count: int) -> None:
        """Begin processes, up to so many in all, without waiting for them."""
        while len(self._workers) < count:
            self._workers.append(Worker(*self._made))

    def spread(
        self,
        items: Sequence[Item],
        jobs: int,
        *,
        died: Callable[[Item], Result],
        first: Any = None,
        ended: Callable[[int, Item, Result], None] = lambda count, item, result: None,
        late: Callable[[Item], Result] | None = None,
        deadline: float | None = None,
        weigh: Callable[[Item], int] = lambda item: 0,
        room: int | None = None,
        meanwhile: Iterable[Sequence[Item]] = (),
    ) -> list[Result]:
        """The results of `work` on every item, in the order of the items. What `work` or `begin` raises is raised here.

        jobs: how many to have in flight at most. died: the result for an item whose process ended without a word; late (died, if not
        given): for one that took longer than `deadline` seconds. first: what each process is told before its first item, if anything.
        ended: told how many are finished, and which has come. weigh: the bytes that an item takes, the heaviest are begun first; room:
        bytes that all in flight may take together; one too large goes alone. meanwhile: gone through while the first processes begin; the
        lots it gives, which may be empty, are worked on after the items, and their results follow.
        """
        every = list(items)
        results: dict[int, Result] = {}
        weights = [weigh(item) for item in every]
        waiting = sorted(range(len(every)), key=lambda i: -weights[i])
        workers = self._workers
        for worker in workers:
            worker.told = False

        def finish(index: int, result: Result) -> None:
            results[index] = result
            ended(len(results), every[index], result)

        def give(worker: Worker) -> None:
            taken = sum(weights[w.index] for w in workers if w.index is not None)
            for place, index in enumerate(waiting):
                if room is None or not taken or taken + weights[index] <= room:
                    worker.give(waiting.pop(place), every)
                    return

        def drop(worker: Worker) -> None:
            workers.remove(worker)
            worker.end()

        def hear(worker: Worker) -> None:
            index, idle = worker.index, worker.idle
            said = worker.hear()
            if said is not DIED:
                if index is not None:
                    finish(index, said)
                return
            drop(worker)
            if index is not None:
                finish(index, died(every[index]))
            elif not idle:
                raise RuntimeError("a process to work in could not be begun")

        def turn(patience: float | None) -> None:
            """Hear those that have something to say, and hand on what is waiting."""
            heard = wait([w.pipe for w in workers], patience)
            for worker in list(workers):
                index = worker.index
                if worker.pipe in heard:
                    hear(worker)
                elif index is not None and deadline is not None and time.monotonic() - worker.since > deadline:
                    drop(worker)
                    finish(index, (late or died)(every[index]))
            hand_on()

        def hand_on() -> None:
            for worker in [w for w in workers if w.idle and waiting]:
                worker.tell(first)
                give(worker)  # or let it rest until there is room

        self.man(min(jobs, len(every)))
        hand_on()  # to those that stayed from an earlier lot
        for more in meanwhile:
            weights += [weigh(item) for item in more]
            waiting += sorted(range(len(every), len(every) + len(more)), key=lambda i: -weights[i])
            every += more
            if workers:
                turn(0)
        while len(results) < len(every):
            self.man(min(jobs, len(every) - len(results)))
            turn(_patience(workers, deadline))
        return [results[i] for i in range(len(every))]


def _patience(workers: Sequence[Worker], deadline: float | None) -> float | None:
    """Seconds until the first deadline passes; None when there is none to wait for."""
    begun = [w.since for w in workers if w.index is not None]
    return None if deadline is None or not begun else max(0.0, min(begun) + deadline - time.monotonic()) + 0.01


class Worker:
    """A process and the pipe to it.

    index: of the item it works on; since: when it was given that; idle: it has begun and waits for
    work; told: it has heard what comes before the items.
    """

    def __init__(self, *told: Any) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, theirs = context.Pipe()
        self._process: BaseProcess = context.Process(target=_serve, args=(theirs, *told), daemon=True)
        self._process.start()
        theirs.close()
        self.index: int | None = None
        self.since = 0.0
        self.idle = self.told = False

    def give(self, index: int, items: Sequence[Any]) -> None:
        """Hand it an item. One that has died meanwhile is noticed when it is next heard."""
        self.index, self.since, self.idle = index, time.monotonic(), False
        self._send(items[index])

    def tell(self, first: Any) -> None:
        """Tell it what comes before the items, once, if there is anything; it does not answer."""
        if not self.told and first is not None:
            self._send(first)
        self.told = True

    def _send(self, item: Any) -> None:
        with contextlib.suppress(OSError):
            self.pipe.send(item)

    def hear(self) -> Any:
        """What it says: a result, or that it is ready; DIED when it has ended without a word. Raises what it raised."""
        try:
            raised, said = self.pipe.recv()
        except (EOFError, OSError):
            return DIED
        if raised:
            raise said
        self.idle, self.index = True, None
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
            said = work(pipe.recv())
            if said is not None:
                pipe.send((False, said))
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
