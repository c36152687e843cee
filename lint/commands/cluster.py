"""Parts examined on the workers of a cluster (dask.distributed), through its executor, as they would be examined here.

A part travels by name and digest: a worker that has the very same file under the same path reads it there, and is sent the bytes when
it has not. Either way it is judged from those bytes under the name it has here, so that a report says the same wherever it was made. What
a lost worker was doing is done again by another. Its protocol runs what it is sent: a cluster is for a network of one's own.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, CancelledError, Future, wait
from dataclasses import dataclass, field, fields, is_dataclass, replace
from pathlib import Path
from typing import Any

from lint.commands.judging import Judge, picks, reading_notes, wanted
from lint.commands.keys import machine
from lint.commands.known import Judged
from lint.commands.running import Run, Task
from lint.commands.shelves import Papers, papers_of, read_part
from lint.load.doors import Lent, beside, digest, lending, read_bytes
from lint.load.raw import Fault, LoadLimits
from lint.load.ticket import read_ticket
from lint.shelf import Shelf
from lint.terms import BadInput, NotRun

_PATIENCE = 60.0  # s without any worker after which a run is given up
_REFERS = frozenset({".obj", ".gltf"})  # formats that refer to files beside them


@dataclass(frozen=True)
class File:
    """A file that a part is read from: the names it is read under, where it lies here, and the SHA-256 of its bytes."""

    name: tuple[str, str]
    lies: str
    told: str


@dataclass(frozen=True)
class Order:
    """What a worker is to do: "judge" a task or "measure" its part for comparing.

    machine: that of the client, which the worker must match; files, papers: of every part that may be read; lent: bytes by digest.
    """

    what: str
    task: Task
    machine: str
    deadline: float
    files: tuple[File, ...]
    papers: Mapping[Path, Papers]
    lent: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class Wanted:
    """A worker's answer when it does not have the same files: the digests of those it needs the bytes of."""

    files: frozenset[str]


@dataclass(frozen=True)
class Late:
    """A worker's answer when a part took longer than it may. What works on it there cannot be stopped, and ends by itself."""


@dataclass(frozen=True)
class Crashed:
    """A worker's answer when the program itself failed there: what it raised."""

    why: str


@dataclass(frozen=True)
class Stranger:
    """A worker's answer when another version of the program or its libraries is installed there."""


class Cluster:
    """The workers of one scheduler, for as long as a run lasts. Use as a context; raises BadInput when it cannot be reached."""

    def __init__(self, address: str) -> None:
        self._address = address

    def __enter__(self) -> Cluster:
        try:
            from distributed import Client
        except ImportError:
            raise BadInput("--scheduler needs the extra `cluster`: install buckwright[cluster]") from None
        try:
            connect: Any = Client
            self._client: Any = connect(self._address, timeout=10, set_as_default=False)
        except (OSError, ValueError, TypeError) as error:
            why = str(error).splitlines()[0] if str(error) else type(error).__name__
            raise BadInput(f"--scheduler {self._address}: it cannot be reached: {why}; give it as tcp://HOST:8786") from None
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(OSError, TimeoutError):
            self._client.close(timeout=10)

    def spread(
        self, what: str, tasks: Sequence[Task], run: Run, deadline: float, *,
        failed: Callable[[Task, str], Any], ended: Callable[[int, Task, Any], None],
    ) -> list[Any]:  # fmt: skip
        """The answers to tasks, in their order. failed: the answer for one that got none, and why. ended: told as they come."""
        parcels = _Parcels(run)
        kept = self._client.submit(_same, run, pure=False)  # sent once, and made again from here when its worker is lost
        executor = self._client.get_executor(pure=False)
        found: dict[int, Any] = {}
        waiting, flying = deque(range(len(tasks))), dict[Future[Any], tuple[int, Order]]()
        lend, workers_seen = False, time.monotonic()

        def finish(index: int, answer: Any) -> None:
            found[index] = answer
            ended(len(found), tasks[index], answer)

        def send(index: int, order: Order) -> None:
            flying[executor.submit(_work, order, kept)] = (index, order)

        try:
            while len(found) < len(tasks):
                threads = self._threads()
                if threads:
                    workers_seen = time.monotonic()
                elif time.monotonic() - workers_seen > _PATIENCE:
                    raise BadInput(f"--scheduler {self._address}: it has no workers; start some with `dask worker {self._address}`")
                while waiting and len(flying) < 2 * threads + 2:
                    index = waiting.popleft()
                    order = parcels.order(what, tasks[index], deadline, lend=lend)
                    if order is None:  # it cannot be read here either: that is told as it is everywhere
                        finish(index, _locally(what, tasks[index], run))
                    else:
                        send(index, order)
                for future in wait(flying, timeout=2.0, return_when=FIRST_COMPLETED).done:
                    index, order = flying.pop(future)
                    answer = self._answer(future)
                    if isinstance(answer, Wanted) and order.lent:  # it changed after it was looked at
                        finish(index, _locally(what, tasks[index], run))
                    elif isinstance(answer, Wanted):
                        lend, lent = True, parcels.bytes_of(order, answer.files)
                        if lent:
                            send(index, replace(order, lent=lent))
                        else:
                            finish(index, _locally(what, tasks[index], run))
                    elif isinstance(answer, Stranger):
                        raise BadInput(f"--scheduler {self._address}: a worker has another buckwright or other libraries than this machine;"
                                       " install the same on all")  # fmt: skip
                    elif isinstance(answer, Late):
                        finish(index, failed(tasks[index], f"it took over {deadline:g} s; thin it out, or give it longer with --deadline"))
                    elif isinstance(answer, Crashed):
                        finish(index, failed(tasks[index], f"this is a bug of buckwright: {answer.why}"))
                    elif isinstance(answer, Exception):
                        finish(index, failed(tasks[index], "the workers that took it ended without a word, most often for want of memory"))
                    else:
                        finish(index, self._homely(answer, run, parcels) if isinstance(answer, Judged) else answer)
        finally:
            for future in flying:
                future.cancel()
            with contextlib.suppress(Exception):  # the workers may be gone
                executor.shutdown(wait=False)
            kept.release()
        return [found[k] for k in range(len(tasks))]

    def _threads(self) -> int:
        """Parts that all workers together take at a time."""
        try:
            return sum(self._client.nthreads().values())
        except (OSError, TimeoutError):
            return 0

    def _answer(self, future: Future[Any]) -> Any:
        from distributed.scheduler import KilledWorker

        try:
            return future.result()
        except KilledWorker as error:
            return error
        except (CancelledError, OSError, TimeoutError):
            raise BadInput(f"--scheduler {self._address}: the connection was lost; what was finished is kept, so run it again") from None

    def _homely(self, judged: Judged, run: Run, parcels: _Parcels) -> Judged:
        """What was judged elsewhere, with the answers of the shelf told as they are told here (a path is known by where it leads)."""
        report = judged.report
        if judged.key is None:
            return judged
        papers, split = parcels.papers(report.path), report.part.source.split_polygons if report.part is not None else 0
        report = replace(report, notes=reading_notes(papers.ticket, papers.shop, split))
        answers = {}
        for pick in picks(wanted(run.only)):
            if pick.name in judged.asked.answers:
                answers[pick.name] = parcels.shelf.told(pick, report.path, parcels.shelf.known(report.path, pick.measurement))
        return replace(judged, report=report, asked=replace(judged.asked, answers=answers))


class _Parcels:
    """The files of parts, told by digest and read when they have to be sent."""

    def __init__(self, run: Run) -> None:
        self._run = run
        self._picks = picks(wanted(run.only))
        self._machine = machine()
        self._papers: dict[Path, Papers] = {}
        self._files: dict[Path, tuple[File, ...] | None] = {}
        self.shelf = Shelf(run.parts, Judge(run).shelf.part, run.known)

    def papers(self, path: Path) -> Papers:
        """The papers of a part."""
        if path not in self._papers:
            self._papers[path] = papers_of(path, self._run.facts_of(path))
        return self._papers[path]

    def order(self, what: str, task: Task, deadline: float, *, lend: bool) -> Order | None:
        """What to send for a task; None when the part cannot be read here."""
        own = self._of(task.path)
        if own is None:
            return None
        files, papers = list(own), {task.path: self.papers(task.path)}
        for other in self._others(task.path) if what == "judge" else ():
            more = self._of(other)
            if more is not None:
                files += more
                papers[other] = self.papers(other)
        order = Order(what, task, self._machine, deadline, tuple(dict.fromkeys(files)), papers)
        return replace(order, lent=self.bytes_of(order, frozenset(f.told for f in files))) if lend else order

    def bytes_of(self, order: Order, wanted_files: frozenset[str]) -> dict[str, bytes]:
        """The bytes of some files by digest. One that has changed meanwhile is left out, and so not found by the worker."""
        lent = {}
        for file in order.files:
            if file.told in wanted_files and file.told not in lent:
                with contextlib.suppress(Fault):
                    data = read_bytes(Path(file.lies), LoadLimits().max_bytes)
                    if hashlib.sha256(data).hexdigest() == file.told:
                        lent[file.told] = data
        return lent

    def _others(self, path: Path) -> Iterator[Path]:
        """The parts that the rules may read besides: the pair, and what the shelf answers."""
        with contextlib.suppress(BadInput):
            ticket = self.papers(path).ticket
            pair = read_ticket(ticket).part.pair if ticket is not None else None
            if pair is not None:
                yield path.parent / pair
        for pick in self._picks:
            value = self.shelf.known(path, pick.measurement)
            if value is not None and not isinstance(value, NotRun):
                yield from _paths(self.shelf.answer(pick, path, value))

    def _of(self, path: Path) -> tuple[File, ...] | None:
        if path not in self._files:
            self._files[path] = self._told(path)
        return self._files[path]

    def _told(self, path: Path) -> tuple[File, ...] | None:
        papers, files = self.papers(path), []
        for named in (path, papers.ticket, papers.shop):
            if named is not None:
                told = digest(named)
                if told is None:
                    return None
                files.append(File((str(named), ""), os.path.abspath(named), told))
        if path.suffix.lower() in _REFERS:
            try:
                fetched = read_part(path, self._run.facts_of(path), papers).fetched
            except BadInput:
                return None
            files += [File((str(path), name), str(beside(path, name)), told) for name, told in fetched.items() if told is not None]
        return tuple(files)


def _paths(answer: Any) -> Iterator[Path]:
    """Every path in a plain answer."""
    if isinstance(answer, Path):
        yield answer
    elif is_dataclass(answer) and not isinstance(answer, type):
        for item in fields(answer):
            yield from _paths(getattr(answer, item.name))
    elif isinstance(answer, list | tuple):
        for value in answer:
            yield from _paths(value)


def _locally(what: str, task: Task, run: Run) -> Any:
    judge = Judge(run)
    return judge(task) if what == "judge" else judge.measured(task.path)


# From here on in the workers.



def _same(run: Run) -> Run:
    return run


def _work(order: Order, run: Run) -> Any:
    if order.machine != machine():
        return Stranger()
    files: dict[tuple[str, str], bytes] = {}
    missing = set()
    for file in order.files:
        data = order.lent.get(file.told) or _here(file)
        if data is None:
            missing.add(file.told)
        else:
            files[file.name] = data
    if missing:
        return Wanted(frozenset(missing))
    answers: list[Any] = []


    def work() -> None:
        try:
            answers.append(_done(order, run, files))
        except BaseException as error:
            answers.append(Crashed(f"{type(error).__name__}: {error}"))

    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(order.deadline)
    return answers[0] if answers else Late()


def _here(file: File) -> bytes | None:
    """The bytes of a file that lies under the same path here, when it is the same file."""
    try:
        data = read_bytes(Path(file.lies), LoadLimits().max_bytes)
    except (Fault, MemoryError):
        return None
    return data if hashlib.sha256(data).hexdigest() == file.told else None


def _done(order: Order, run: Run, files: Lent) -> Any:
    with lending(files):
        judge = Judge(run, order.papers)
        return judge(order.task) if order.what == "judge" else judge.measured(order.task.path)
