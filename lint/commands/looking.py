"""All parts of a run judged: what still stands is told from the store, the rest is examined here, in processes, or on a cluster."""

from __future__ import annotations

import contextlib
import datetime
import os
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, TypeVar

from lint.commands import screen
from lint.commands.judging import Judge, Run, Task, before, picks, reading_notes, wanted
from lint.commands.kept import Compared, report_of
from lint.commands.known import Judged, Known, Standing, swept
from lint.commands.ledgers import accepted
from lint.commands.room import room, taken_by
from lint.commands.shelves import folders_stay
from lint.rooms import rooms
from lint.run import in_order
from lint.store import open_store
from lint.terms import NotRun, PartReport

Item = TypeVar("Item")
Found = TypeVar("Found")

# What a part may take when nobody said: ten minutes is many times what the largest scan has needed, and a build server waits no longer.
_DEADLINE = 600.0

# Fewer parts than this are measured for comparing sooner here than a pool for it has started.
_FEW = 8


@dataclass(frozen=True)
class How:
    """How a run is done, which changes no verdict.

    jobs: parts examined at a time, or cores that one large part may use; None for one a core. deadline: seconds that one part may take;
    memory: GiB. Either of these brings even a single part into a process of its own. fresh: what earlier runs found is not heard.
    scheduler: of a cluster, to examine there.
    """

    jobs: int | None = None
    deadline: float | None = None
    memory: float | None = None
    fresh: bool = False
    scheduler: str | None = None


def look(paths: list[Path], run: Run, how: How) -> list[PartReport]:
    """The reports of these parts in their order, with what the ledgers accept marked."""
    with folders_stay():
        return _look(paths, run, how)


def _look(paths: list[Path], run: Run, how: How) -> list[PartReport]:
    store = open_store()
    known = None if store is None else Known(store, run.keys(), rooms() if run.only is None else before(run.only), run.facts_of)
    standing: dict[Path, Standing] = {}
    if known is not None and not how.fresh and not run.drawn:  # a picture is drawn from the mesh, which is not kept
        with screen.Progress(f"looking up {len(run.parts)} parts"):
            standing = known.standing(run.parts)
            run = replace(run, known={**run.known, **known.values(standing)})
    asked = picks(wanted(run.only)) if known is None else known.picks
    with swept() if len(standing) < len(run.parts) else contextlib.nullcontext():
        run = _with_the_shelf_measured(run, how, frozenset(pick.measurement for pick in asked))
    judge = Judge(run)
    said: dict[Path, Compared] = {}
    if known is not None and standing:
        said = {path: heard for path in paths if path in standing and (heard := known.compared(path, standing[path], judge.shelf))}
    tasks = [Task(path, standing[path].key if path in standing else None) for path in paths if path not in said]

    def keep(task: Task, found: Judged) -> None:  # at once, so that a run that is stopped need not do it again
        if known is not None:
            known.keep(task.path, found)

    with swept() if tasks else contextlib.nullcontext():
        judged = dict(zip((t.path for t in tasks), _judged(tasks, len(paths), judge, how, keep), strict=True))
    if known is not None:
        known.close()
    return accepted([_told(path, standing.get(path), said.get(path), judged.get(path)) for path in paths], datetime.date.today())


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


def _judged(tasks: list[Task], parts: int, judge: Judge, how: How, keep: Callable[[Task, Judged], None]) -> list[Judged]:
    run = judge.run
    jobs = min(how.jobs or os.cpu_count() or 1, parts)
    if not tasks:
        return []
    if how.scheduler is not None:
        return _elsewhere("judge", tasks, run, how, f"examining {len(tasks)} parts", "parts examined", _given_up, keep)
    run = replace(run, cores=max((how.jobs or os.cpu_count() or 1) // min(jobs, len(tasks)), 1))
    if jobs <= 1 and how.deadline is None and how.memory is None:
        return _together(tasks, judge if run.cores == judge.run.cores else Judge(run), keep)
    return _apart(tasks, run, min(jobs, len(tasks)), how, keep)


def _together(tasks: list[Task], judge: Judge, keep: Callable[[Task, Judged], None]) -> list[Judged]:
    found = []
    with screen.Progress() as progress:
        for count, task in enumerate(tasks):
            progress(screen.doing(task.path, "examining" + (f", part {count + 1} of {len(tasks)}" if len(tasks) > 1 else "")))
            found.append(judge(task))
            keep(task, found[-1])
    return found


def _apart(tasks: list[Task], run: Run, jobs: int, how: How, keep: Callable[[Task, Judged], None]) -> list[Judged]:
    deadline = how.deadline or _DEADLINE

    def late(task: Task) -> Judged:
        return _given_up(task, f"it took over {deadline:g} s; thin it out, or give it longer with --deadline")

    with screen.Progress(f"examining {len(tasks)} parts") as progress:

        def ended(count: int, task: Task, found: Judged) -> None:
            keep(task, found)
            progress(f"{count} of {len(tasks)} parts examined")

        return _spread(_judge_here, tasks, [t.path for t in tasks], jobs, run, how, died=_died, late=late, ended=ended)


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
    work: Callable[[Item], Found], items: list[Item], paths: list[Path], jobs: int, run: Run, how: How, *,
    died: Callable[[Item], Found], ended: Callable[[int, Item, Found], None], late: Callable[[Item], Found] | None = None,
) -> list[Found]:  # fmt: skip
    """Work on parts in processes, those that take the most memory first, never more at a time than there is memory for."""
    from lint.commands.pool import spread

    most = None if how.memory is None else int(how.memory * 2**30)
    weights = [taken_by(path) if most is None else min(taken_by(path), most) for path in paths]
    return spread(
        work, items, jobs, order=sorted(range(len(items)), key=lambda i: -weights[i]), died=died, late=late, ended=ended,
        deadline=how.deadline or _DEADLINE, memory=how.memory, prepare=_prepare, prepare_with=(run,), weights=weights, room=room(),
    )  # fmt: skip


def _with_the_shelf_measured(run: Run, how: How, names: frozenset[str]) -> Run:
    """The run, knowing these measurements, which the rules that compare parts ask for, of every part, where there are many: each read
    once, in processes."""
    parts = [path for path in run.parts if any((path, name) not in run.known for name in names)]
    jobs = min(how.jobs or os.cpu_count() or 1, len(parts))
    if not parts or (how.scheduler is None and (jobs <= 1 or len(parts) <= _FEW)):
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

        found = _spread(_measure_here, parts, parts, jobs, run, how, died=lambda path: dict.fromkeys(names, died), ended=ended)
    return _knowing(run, parts, found)


def _knowing(run: Run, parts: list[Path], found: list[dict[str, Any]]) -> Run:
    measured = {(path, name): value for path, values in zip(parts, found, strict=True) for name, value in values.items()}
    return replace(run, known={**run.known, **measured})


def _died(task: Task) -> Judged:
    return _given_up(task, "the process that examined it ended without a word, most often for want of memory")


def _given_up(task: Task, why: str) -> Judged:
    return Judged(PartReport(None, task.path, unreadable=f"{task.path}: not run: {why}"))


_here: Judge | None = None


def _prepare(run: Run) -> None:
    global _here
    _here = Judge(run)


def _judge_here(task: Task) -> Judged:
    assert _here is not None
    return _here(task)


def _measure_here(path: Path) -> dict[str, Any]:
    assert _here is not None
    return _here.measured(path)
