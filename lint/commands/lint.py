"""buckwright lint: judge parts and say what would go wrong, before anything is printed."""

from __future__ import annotations

import argparse
import datetime
import os
import sys
import traceback
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np

from lint import __version__
from lint.changed import changed_since
from lint.commands import screen
from lint.commands.shelves import Facts, OnTheBench, find_ledger, find_parts, read_part
from lint.ledger import key_of, reconcile
from lint.load.ticket import read_ledger
from lint.report.plain import many, path_text
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import EDITION
from lint.shelf import Shelf
from lint.terms import BadInput, Finding, NotRun, Outcome, Part, PartReport, Place, Report, Rule, Weight


def run(args: argparse.Namespace) -> int:
    """Examine every part named or found, render the report, and return its exit code. Raises BadInput for bad words."""
    only = chosen(args.rule)
    paths = find_parts(args.paths)
    if not paths:
        raise BadInput(f"no parts matched: {', '.join(path_text(p) for p in args.paths)} holds no file that is a part; nothing was judged")
    if args.ticket is not None and len(paths) > 1:
        raise BadInput(f"--ticket says what one part is, and {len(paths)} parts were given: put a ticket beside each instead")
    shelf, idle = paths, ""
    if args.changed_since is not None:
        start = args.paths[0]
        paths = changed_since(paths, args.changed_since, start if start.is_dir() else start.absolute().parent)
        idle = f"no part changed since {args.changed_since}"
    drawn = pictures_wanted(args, paths)
    run = Run(Facts(args.ticket, args.facts), only, tuple(shelf), drawn=drawn)
    reports = look(paths, run, args.jobs, args.deadline, args.memory)
    report = Report(tuple(reports), EDITION, __version__, Weight[args.line.upper()], idle=idle)
    if args.form == "png":
        return write_card(report, args.to)
    text = render(report, args.form, beside(report, args.to) if args.pictures else {})
    if args.to is None:
        screen.refuse_on_screen(args.form, "--to FILE")
        screen.put(text, machine=args.form != "terminal")
    else:
        screen.write(args.to, text)
    return report.exit_code()


def pictures_wanted(args: argparse.Namespace, paths: list[Path]) -> tuple[str, ...]:
    """Which pictures to draw of each part. Raises BadInput for words that do not go together."""
    if args.pictures and (args.form != "markdown" or args.to is None):
        raise BadInput("--pictures puts pictures beside a report in Markdown: it goes with --as markdown and --to FILE")
    if args.form == "png":
        if args.to is None:
            raise BadInput("--as png needs --to FILE.png, where the picture goes")
        screen.refuse_as_picture(args.to, "--to")
        if len(paths) != 1:
            raise BadInput(f"--as png draws one part, and there are {len(paths)}: name one, or use --as markdown with --pictures")
    # never where nobody would see it as a picture
    if args.sketch and args.form == "terminal" and args.to is None and screen.colour() and screen.blocks():
        return ("sketch",)
    if args.form == "page":
        return ("page",)
    return ("card",) if args.pictures or args.form == "png" else ()


def write_card(report: Report, to: Path) -> int:
    """Write the picture of the only part and return the exit code. Raises BadInput when it could not be read."""
    (part,) = report.parts
    if part.unreadable is not None:
        raise BadInput(part.unreadable)
    screen.write(to, part.pictures["card"])
    return report.exit_code()


def beside(report: Report, to: Path) -> dict[Path, str]:
    """Write the pictures of a Markdown report beside it; the name of each, by its part."""
    names: dict[Path, str] = {}
    for count, part in enumerate(report.parts, 1):
        if part.findings and "card" in part.pictures:
            names[part.path] = f"{to.stem}.{count}.png"
            screen.write(to.with_name(names[part.path]), part.pictures["card"])
    return names


# What a part may take when nobody said: ten minutes is many times what the largest scan has needed, and a build server waits no longer.
_DEADLINE = 600.0


def look(
    paths: list[Path], run: Run, jobs: int | None, deadline: float | None = None, memory: float | None = None
) -> list[PartReport]:
    """The reports of these parts in their order, with what the ledgers accept marked; in several processes when that helps.

    deadline: seconds that one part may take; memory: GiB. Either brings even a single part into a process of its own.
    """
    jobs = jobs or os.cpu_count() or 1
    if jobs > 1 and len(run.parts) > _FEW and compared(run.only):
        run = replace(run, known=_beforehand(run, jobs, deadline or _DEADLINE, memory))
    jobs = min(jobs, len(paths))
    here = jobs <= 1 and deadline is None and memory is None
    reports = _together(paths, run) if here else _apart(paths, run, jobs, deadline or _DEADLINE, memory)
    return accepted(reports, datetime.date.today())


def render(report: Report, form: str, pictures: Mapping[Path, str] = MappingProxyType({})) -> str:
    """The report in the form asked for. pictures: those that stand beside it, by part."""
    if form == "json":
        from lint.report import data

        return data.render(report)
    if form == "sarif":
        from lint.report import sarif

        return sarif.render(report, all_rules())
    if form == "junit":
        from lint.report import junit

        return junit.render(report)
    if form == "markdown":
        from lint.report import markdown

        return markdown.render(report, pictures)
    if form == "page":
        from lint.report import page

        return page.render(report, all_rules(), all_fixes())
    from lint.report import terminal

    return terminal.render(report, all_rules(), all_fixes(), width=screen.width(), colour=screen.colour())


def chosen(numbers: Iterable[int] | None) -> frozenset[int] | None:
    """The rules asked for, or None for all. Raises BadInput for a number that is no rule."""
    if not numbers:
        return None
    rules = all_rules()
    for number in numbers:
        if number not in rules:
            raise BadInput(f"--rule {number}: there is no such rule; `buckwright rules` lists them")
    return frozenset(numbers)


def wanted(only: frozenset[int] | None) -> Mapping[int, Rule]:
    """The rules to run: those asked for and those that must be clean before them, always with the one that says there is a mesh."""
    rules = all_rules()
    if only is None:
        return rules
    needed, new = set(only) | set(list(rules)[:1]), set(only)
    while new:
        new = {earlier for number in new for earlier in rules[number].after if earlier in rules} - needed
        needed |= new
    return {number: rules[number] for number in rules if number in needed}


def compared(only: frozenset[int] | None) -> list[str]:
    """The measurements that the rules to run ask of every part of the shelf."""
    return sorted({name for rule in wanted(only).values() for name in rule.compares})


# Fewer parts than this each process measures for itself sooner than a pool for it has started.
_FEW = 8


@dataclass(frozen=True)
class Run:
    """What every part of a run is judged by: the facts, the rules asked for, and the shelf it may be compared with.

    known: what has been measured of the shelf beforehand, so that no process does it again: by part and name, a value or NotRun.
    drawn: the pictures wanted of each part, "card", "sketch" or "page".
    """

    facts: Facts
    only: frozenset[int] | None
    parts: tuple[Path, ...]
    known: Mapping[tuple[Path, str], Any] = field(default_factory=dict)
    drawn: tuple[str, ...] = ()

    def shelf(self) -> Shelf:
        """The shelf, in this process."""
        given = frozenset(self.parts)

        def load(path: Path) -> Part:
            return read_part(path, self.facts if path in given else Facts(flags=self.facts.flags)).part

        return Shelf(self.parts, load, self.known)


def judge(path: Path, facts: Facts, only: frozenset[int] | None, shelf: Shelf, drawn: tuple[str, ...] = ()) -> PartReport:
    """Everything said about one part, without its mesh. A part that cannot be read is reported so; nothing is raised for it."""
    try:
        bench = read_part(path, facts)
        report = narrowed(examine(bench.part, wanted(only), bench.settings, shelf=shelf), only)
        pictures = draw(replace(report, path=path), bench.part, drawn)
        if "page" in drawn and report.unreadable is None:
            from lint.view.scene import faces_each, in_order, scene_of

            found, count = in_order(report.findings), len(shelf.paths)
            scene = scene_of(bench.part, found, bench.settings, most=faces_each(count), stills=2 if count <= _FEW else 1)
            report = replace(report, scene=scene)
    except BadInput as error:
        return PartReport(None, path, unreadable=str(error))
    except MemoryError:
        return PartReport(None, path, unreadable=f"{path}: not run: there is not enough memory for a part of this size; thin it out first")
    except Exception as error:  # a crash is ours: this part is lost, the others go on
        if os.environ.get("BUCKWRIGHT_TRACE") == "1":
            traceback.print_exc(file=sys.stderr)
        return PartReport(None, path, unreadable=f"{path}: not run: this is a bug of buckwright: {type(error).__name__}: {error}")
    return replace(slim(report), path=path, notes=notes(bench), pictures=pictures)


def draw(report: PartReport, part: Part, drawn: tuple[str, ...]) -> dict[str, bytes]:
    """The pictures asked for, while the mesh is there; what the ledger accepts is drawn as accepted."""
    pictures: dict[str, bytes] = {}
    if drawn and report.unreadable is None:
        (report,) = accepted([report], datetime.date.today())
    if "card" in drawn and report.unreadable is None:
        from lint.report import card

        pictures["card"] = card.render(report, part, version=__version__, edition=EDITION)
    if "sketch" in drawn and report.findings and report.unreadable is None:
        from lint.report import sketch

        pictures["sketch"] = sketch.sketch(part, report.findings).encode("utf-8")
    return pictures


def narrowed(report: PartReport, only: frozenset[int] | None) -> PartReport:
    """The report with only the rules asked for; one that broke is always told."""
    if only is None or report.unreadable is not None:
        return report
    rules = tuple(r for r in report.rules if r.number in only or r.outcome is Outcome.BROKE)
    return replace(report, rules=rules, findings=tuple(f for f in report.findings if f.rule in only))


def slim(report: PartReport) -> PartReport:
    """The report without the mesh and the faces of its findings, fit to be sent between processes and kept by the thousand."""
    if report.part is None:
        return report
    bare = report.part.with_mesh(np.empty((0, 3)), np.empty((0, 3), dtype=np.int64))
    return replace(report, part=bare, findings=tuple(_without_faces(f) for f in report.findings))


def _without_faces(finding: Finding) -> Finding:
    place = finding.place and _bare(finding.place)
    return replace(finding, place=place, related=tuple((what, _bare(other)) for what, other in finding.related))


def _bare(place: Place) -> Place:
    """A single face is kept: a report can point at its very bytes."""
    return place if place.faces is None or len(place.faces) == 1 else replace(place, faces=None)


def notes(bench: OnTheBench) -> tuple[str, ...]:
    """Where the facts came from, and what reading had to do."""
    said = []
    files = [p for p in (bench.ticket_path, bench.shop_path) if p is not None]
    if files:
        said.append(f"facts from {' and '.join(path_text(p) for p in files)}")
    split = bench.part.source.split_polygons
    if split:
        said.append(f"{many(split, 'face')} of more than three corners were cut into triangles on reading")
    return tuple(said)


def accepted(reports: list[PartReport], today: datetime.date) -> list[PartReport]:
    """The reports with what the ledger beside or above each part accepts marked, and entries that no longer apply noted."""
    by_ledger: dict[Path, list[int]] = {}
    for index, report in enumerate(reports):
        ledger = find_ledger(report.path)
        if ledger is not None:
            by_ledger.setdefault(ledger, []).append(index)
    marked = list(reports)
    for ledger, indices in by_ledger.items():
        done = reconcile([reports[i] for i in indices], read_ledger(ledger), ledger.parent, today)
        for index, report in zip(indices, done.reports, strict=True):
            key = key_of(report.path, ledger.parent)
            paid = [f"paid, take it out of {ledger.name}: rule {e.rule}, {e.case} ({e.because})" for e in done.paid if e.part == key]
            late = [f"past its last day in {ledger.name}: rule {e.rule}, {e.case} (until {e.until})" for e in done.expired if e.part == key]
            marked[index] = replace(report, notes=(*report.notes, *paid, *late))
    return marked


def _together(paths: list[Path], run: Run) -> list[PartReport]:
    shelf = run.shelf()
    reports = []
    with screen.Progress() as progress:
        for count, path in enumerate(paths):
            progress(screen.doing(path, "examining" + (f", part {count + 1} of {len(paths)}" if len(paths) > 1 else "")))
            reports.append(judge(path, run.facts, run.only, shelf, run.drawn))
    return reports


def _apart(paths: list[Path], run: Run, jobs: int, deadline: float, memory: float | None) -> list[PartReport]:
    from lint.commands.pool import spread

    def late(path: Path) -> PartReport:
        why = f"not run: it took over {deadline:g} s; thin it out, or give it longer with --deadline"
        return PartReport(None, path, unreadable=f"{path}: {why}")

    order = sorted(range(len(paths)), key=lambda i: -_size(paths[i]))
    with screen.Progress(f"examining {len(paths)} parts") as progress:
        return spread(
            _judge_here, paths, jobs, order=order, died=_died, late=late, deadline=deadline, memory=memory,
            prepare=_prepare, prepare_with=(run,),
            ended=lambda count: progress(f"{count} of {len(paths)} parts examined"),
        )  # fmt: skip


def _beforehand(run: Run, jobs: int, deadline: float, memory: float | None) -> dict[tuple[Path, str], Any]:
    """What the rules that compare parts ask of every part of the shelf, each part read once, in several processes."""
    from lint.commands.pool import spread

    names = compared(run.only)
    died = NotRun("the process that measured it to compare with ended without a word")
    with screen.Progress(f"reading {len(run.parts)} parts to compare") as progress:
        found = spread(
            _measure_here, run.parts, min(jobs, len(run.parts)), order=sorted(range(len(run.parts)), key=lambda i: -_size(run.parts[i])),
            died=lambda path: [died] * len(names), deadline=deadline, memory=memory, prepare=_prepare, prepare_with=(run,),
            ended=lambda count: progress(f"{count} of {len(run.parts)} parts read to compare"),
        )  # fmt: skip
    return {(path, name): value for path, values in zip(run.parts, found, strict=True) for name, value in zip(names, values, strict=True)}


def _measure_here(path: Path) -> list[Any]:
    assert _here is not None
    run, shelf = _here
    values: list[Any] = []
    for name in compared(run.only):
        try:
            values.append(shelf.measured(path, name))
        except NotRun as reason:
            values.append(NotRun(str(reason)))
    return values


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _died(path: Path) -> PartReport:
    why = "not run: the process that examined it ended without a word, most often for want of memory"
    return PartReport(None, path, unreadable=f"{path}: {why}")


_here: tuple[Run, Shelf] | None = None


def _prepare(run: Run) -> None:
    global _here
    _here = (run, run.shelf())


def _judge_here(path: Path) -> PartReport:
    assert _here is not None
    run, shelf = _here
    return judge(path, run.facts, run.only, shelf, run.drawn)
