"""All parts of a run judged: what still stands is told from the store, the rest is examined here, in processes, or on a cluster."""

from __future__ import annotations

import contextlib
import datetime
import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from lint.commands import screen
from lint.commands.judging import Judge, before, picks, reading_notes, wanted
from lint.commands.kept import Compared, report_of
from lint.commands.keys import OnDisk
from lint.commands.known import Judged, Known, Standing
from lint.commands.ledgers import accepted
from lint.commands.room import room, taken_by
from lint.commands.running import How, Run, Task
from lint.commands.shelves import folders_stay
from lint.commands.sweeping import swept
from lint.rooms import rooms
from lint.run import in_order
from lint.store import Store, open_store
from lint.terms import NotRun, PartReport

if TYPE_CHECKING:
    from lint.commands.pool import Pool

Item = TypeVar("Item")
Found = TypeVar("Found")

# What a part may take when nobody said: ten minutes is many times what the largest scan has needed, and a build server waits no longer.
_DEADLINE = 600.0

# Fewer parts than this are measured for comparing sooner here than a pool for it has started.
_FEW = 8

_BREATH = 100  # parts looked at between two looks at the processes


def known_of(run: Run, store: Store | None, on_disk: OnDisk) -> Known | None:
    """What earlier runs found that this one can use; None without a store."""
    return None if store is None else Known(store, on_disk, rooms() if run.only is None else before(run.only))


def pool_of(how: How) -> Pool:
    """Processes for a run, of which none has begun. To be used as a context."""
    from lint.commands.pool import Pool

    return Pool(_work_here, _begin, how.memory)


def look(paths: list[Path], run: Run, how: How) -> list[PartReport]:
    """The reports of these parts in their order, with what the ledgers accept marked."""
    with folders_stay(), pool_of(how) as pool:
        return look_with(pool, known_of(run, open_store(), OnDisk(run.keys(), run.facts_of)), paths, run, how)


def look_with(
    pool: Pool, known: Known | None, paths: list[Path], run: Run, how: How, drafted: Callable[[list[PartReport]], None] = lambda r: None
) -> list[PartReport]:
    """As `look`, with the processes and what is known. drafted: hears the reports that stand, while others are still examined; they
    come again at the end, the same objects where no ledger speaks of them."""
    standing: dict[Path, Standing] = {}
    if known is not None and not how.fresh and not run.drawn:  # a picture is drawn from the mesh, which is not kept
        with screen.Progress(f"looking up {len(run.parts)} parts"):
            if how.apart(len(paths)):
                pool.man(min(how.most(), known.missing(paths)))
            standing = known.standing(run.parts)
            run = replace(run, known={**run.known, **known.values(standing)})
    asked = picks(wanted(run.only)) if known is None else known.picks
    run = _with_the_shelf_measured(pool, run, how, frozenset(pick.measurement for pick in asked))
    reports: dict[Path, PartReport] = {}

    def stands(said: Mapping[Path, Compared]) -> None:
        reports.update((path, _told(path, standing.get(path), heard, None)) for path, heard in said.items())
        drafted(list(reports.values()))

    judged = _judged(pool, known, standing, paths, run, how, stands)
    if known is not None:
        known.close()
    reports.update((path, _told(path, standing.get(path), None, found)) for path, found in judged.items())
    return accepted([reports[path] for path in paths], datetime.date.today())


def _told(path: Path, standing: Standing | None, said: Compared | None, judged: Judged | None) -> PartReport:
    """The report of a part, put together from what stands and what was found anew."""
    if judged is not None and (judged.whole or judged.report.unreadable is not None):
        return judged.report
    assert standing is not None
    notes = reading_notes(standing.ticket_path, standing.shop_path, standing.alone.source[3])
    report = report_of(standing.alone, path, standing.ticket_path, notes)
    more = judged.report if judged is not None else said
    assert more is not None
    both = sorted((*report.rules, *more.rules), key=lambda r: r.number)
    return replace(report, rules=tuple(both), findings=tuple(in_order((*report.findings, *more.findings))))


def _judged(
    pool: Pool, known: Known | None, standing: Mapping[Path, Standing], paths: list[Path], run: Run, how: How,
    stands: Callable[[Mapping[Path, Compared]], None],
) -> dict[Path, Judged]:  # fmt: skip
    """What is found anew, by part. stands: hears what still stands of what the rules that compare parts said of the kept parts."""
    new = [Task(path) for path in paths if path not in standing]
    judge = Judge(run)

    def again() -> Iterator[list[Task]]:
        """The kept parts that the rules that compare parts have to look at anew; nothing, now and then, while they are looked for."""
        said: dict[Path, Compared] = {}
        for count, path in enumerate(paths):
            if known is not None and path in standing and (heard := known.compared(path, standing[path], judge.shelf)):
                said[path] = heard
            if count % _BREATH == 0:
                yield []
        yield [Task(path, standing[path].key) for path in paths if path in standing and path not in said]
        stands(said)

    def keep(task: Task, found: Judged) -> None:  # at once, so that a run that is stopped need not do it again
        if known is not None:
            known.keep(task.path, found)

    if new and how.apart(len(paths)):
        return _apart(pool, new, again(), _with_cores(run, how, len(new)), how, keep)
    tasks = new + [task for some in again() for task in some]
    if not tasks:
        return {}
    if how.scheduler is not None:
        doing = f"examining {len(tasks)} parts"
        return _by_path(tasks, _elsewhere("judge", tasks, run, how, doing, "parts examined", _given_up, keep))
    run = _with_cores(run, how, len(tasks))
    if how.apart(len(paths)):
        return _apart(pool, tasks, (), run, how, keep)
    with swept():
        return _by_path(tasks, _together(tasks, judge if run.cores == judge.run.cores else Judge(run), keep))


def _with_cores(run: Run, how: How, tasks: int) -> Run:
    """The run with what each of so many parts may use of the machine."""
    return replace(run, cores=max(how.most() // tasks, 1))


def _by_path(tasks: list[Task], found: list[Judged]) -> dict[Path, Judged]:
    return dict(zip((task.path for task in tasks), found, strict=True))


def _together(tasks: list[Task], judge: Judge, keep: Callable[[Task, Judged], None]) -> list[Judged]:
    found = []
    with screen.Progress() as progress:
        for count, task in enumerate(tasks):
            progress(screen.doing(task.path, "examining" + (f", part {count + 1} of {len(tasks)}" if len(tasks) > 1 else "")))
            found.append(judge(task))
            keep(task, found[-1])
    return found


def _apart(
    pool: Pool, new: list[Task], again: Iterable[list[Task]], run: Run, how: How, keep: Callable[[Task, Judged], None]
) -> dict[Path, Judged]:
    """What is found of the new parts, and of those that `again` gives, which is gone through while the processes begin."""
    deadline = how.deadline or _DEADLINE
    tasks = list(new)

    def late(task: Task) -> Judged:
        return _given_up(task, f"it took over {deadline:g} s; thin it out, or give it longer with --deadline")

    def meanwhile() -> Iterator[list[Task]]:
        for more in again:
            tasks.extend(more)
            yield more

    with screen.Progress(f"examining {len(tasks)} parts") as progress:

        def ended(count: int, task: Task, found: Judged) -> None:
            keep(task, found)
            progress(f"{count} of {len(tasks)} parts examined")

        found = _spread(pool, new, _path_of, run, how, died=_died, late=late, ended=ended, meanwhile=meanwhile())
    return _by_path(tasks, found)


def _path_of(task: Task) -> Path:
    return task.path


def _elsewhere(
    what: str, tasks: list[Task], run: Run, how: How, doing: str, done: str,
    failed: Callable[[Task, str], Found], keep: Callable[[Task, Found], None],
) -> list[Found]:  # fmt: skip
    """As `_spread`, on the workers of a cluster, where memory is for the workers to know."""
    from lint.commands.cluster import Cluster

    assert how.scheduler is not None
    with screen.Progress(doing) as progress, Cluster(how.scheduler) as cluster:

        def ended(count: int, task: Task, found: Found) -> None:
            keep(task, found)
            progress(f"{count} of {len(tasks)} {done}")

        biggest_first = sorted(range(len(tasks)), key=lambda i: -taken_by(tasks[i].path))
        found = cluster.spread(what, [tasks[i] for i in biggest_first], run, how.deadline or _DEADLINE, failed=failed, ended=ended)
    in_order = dict(zip(biggest_first, found, strict=True))
    return [in_order[i] for i in range(len(tasks))]


def _spread(
    pool: Pool, items: list[Item], path_of: Callable[[Item], Path], run: Run, how: How, *,
    died: Callable[[Item], Found], ended: Callable[[int, Item, Found], None], late: Callable[[Item], Found] | None = None,
    meanwhile: Iterable[list[Item]] = (),
) -> list[Found]:  # fmt: skip
    """Work on parts in processes, those that take the most memory first, never more at a time than there is memory for."""
    most = math.inf if how.memory is None else int(how.memory * 2**30)

    def weigh(item: Item) -> int:
        return int(min(taken_by(path_of(item)), most))

    return pool.spread(
        items, how.most(), died=died, late=late, first=run, ended=ended, deadline=how.deadline or _DEADLINE,
        weigh=weigh, room=room(), meanwhile=meanwhile,
    )  # fmt: skip


def _with_the_shelf_measured(pool: Pool, run: Run, how: How, names: frozenset[str]) -> Run:
    """The run, knowing these measurements, which the rules that compare parts ask for, of every part, where there are many: each read
    once, in processes."""
    parts = [path for path in run.parts if any((path, name) not in run.known for name in names)]
    if not parts or (how.scheduler is None and (how.most() <= 1 or len(parts) <= _FEW)):
        return run
    if how.scheduler is not None:

        def gone(task: Task, why: str) -> dict[str, Any]:
            return dict.fromkeys(names, NotRun(f"{task.path.name} could not be measured to compare with: {why}"))

        elsewhere: list[dict[str, Any]] = _elsewhere(
            "measure", [Task(p) for p in parts], run, how, f"reading {len(parts)} parts to compare", "parts read to compare",
            gone, lambda task, found: None,
        )  # fmt: skip
        return _knowing(run, parts, elsewhere)
    died = NotRun("the process that measured it to compare with ended without a word")
    with screen.Progress(f"reading {len(parts)} parts to compare") as progress:

        def ended(count: int, path: Path, found: dict[str, Any]) -> None:
            progress(f"{count} of {len(parts)} parts read to compare")

        found = _spread(pool, parts, lambda path: path, run, how, died=lambda path: dict.fromkeys(names, died), ended=ended)
    return _knowing(run, parts, found)


def _knowing(run: Run, parts: list[Path], found: list[dict[str, Any]]) -> Run:
    measured = {(path, name): value for path, values in zip(parts, found, strict=True) for name, value in values.items()}
    return replace(run, known={**run.known, **measured})


def _died(task: Task) -> Judged:
    return _given_up(task, "the process that examined it ended without a word, most often for want of memory")


def _given_up(task: Task, why: str) -> Judged:
    return Judged(PartReport(None, task.path, unreadable=f"{task.path}: not run: {why}"))


_here: Judge | None = None


def _begin() -> None:
    from lint.commands.warm import warm

    with contextlib.suppress(Exception):  # what is wrong is told of the part that is judged
        warm()


def _work_here(item: Run | Task | Path) -> Judged | dict[str, Any] | None:
    """In a process of the pool: by what to judge; or a part to judge, or to measure for comparing."""
    global _here
    if isinstance(item, Run):
        _here = Judge(item)
        return None
    assert _here is not None
    return _here(item) if isinstance(item, Task) else _here.measured(item)
