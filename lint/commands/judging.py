"""One part judged in whatever process it came to: read, examined, told without its mesh."""

from __future__ import annotations

import os
import sys
import traceback
from collections.abc import Mapping
from dataclasses import replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np

from lint import cores, loops
from lint.commands import kept
from lint.commands.drawing import drawn_on
from lint.commands.keys import Read
from lint.commands.known import Judged
from lint.commands.listing import comparing
from lint.commands.running import Run, Task
from lint.commands.shelves import OnTheBench, Papers, read_part
from lint.measure import Survey
from lint.report.plain import many, path_text
from lint.rooms import all_rules, rooms
from lint.run import examine
from lint.shelf import Asked, Shelf
from lint.terms import BadInput, Finding, NotRun, Outcome, Part, PartReport, Pick, Place, Rule


class Judge:
    """Judges the parts of one run in this process, with one shelf for all of them."""

    def __init__(self, run: Run, papers: Mapping[Path, Papers] | None = None) -> None:
        """papers: those of every part that may be read, where they are not to be looked for on the disk."""
        self.run = run
        self.papers = papers
        if run.cores > 1:  # it has the machine to itself
            cores.use(run.cores)
            loops.hold_memory()
        self._keys = run.keys()
        self._read: dict[Path, Read] = {}
        self.shelf = Shelf(run.parts, self._load, run.known)

    # Rules are loaded with the first part: there may be none to judge.

    @cached_property
    def _rules(self) -> Mapping[int, Rule]:
        return wanted(self.run.only)

    @cached_property
    def _comparing(self) -> frozenset[int]:
        return comparing(self._rules)

    @cached_property
    def _picks(self) -> list[Pick]:
        return picks(self._rules)

    def _load(self, path: Path) -> Part:
        bench = self._bench(path)
        self._read[path] = Read(str(path), self._keys.of_bench(bench), dict(bench.fetched))
        return bench.part

    def _bench(self, path: Path) -> OnTheBench:
        facts = self.run.facts_of(path)
        if self.papers is None:
            return read_part(path, facts)
        if path not in self.papers:
            raise BadInput(f"{path}: there is no such file; check the name")
        return read_part(path, facts, self.papers[path])

    def __call__(self, task: Task) -> Judged:
        """Everything said about one part, without its mesh. One that cannot be read is reported so; nothing is raised for it."""
        path = task.path
        try:
            return self._judged(task)
        except BadInput as error:
            why = str(error)
        except MemoryError:
            why = f"{path}: not run: there is not enough memory for a part of this size; thin it out first"
        except Exception as error:  # a crash is ours: this part is lost, the others go on
            if os.environ.get("BUCKWRIGHT_TRACE") == "1":
                traceback.print_exc(file=sys.stderr)
            why = f"{path}: not run: this is a bug of buckwright: {type(error).__name__}: {error}"
        return Judged(PartReport(None, path, unreadable=why))

    def _judged(self, task: Task) -> Judged:
        bench = self._bench(task.path)
        key = self._keys.of_bench(bench)
        whole = task.key != key
        rules = self._rules if whole else {n: r for n, r in self._rules.items() if n in before(self._comparing)}
        survey = Survey(bench.part)
        self.shelf.asked = asked = Asked()
        also = [pick.measurement for pick in self._picks]
        report = narrowed(examine(bench.part, rules, bench.settings, shelf=self.shelf, survey=survey, also=also), self.run.only)
        report = drawn_on(replace(report, path=task.path), bench.part, self.run.drawn, len(self.run.parts))
        if not whole:
            report = narrowed(report, self._comparing)
        values: dict[str, Any] = {}
        for pick in self._picks if report.unreadable is None else ():
            try:
                values[pick.measurement] = survey.get(pick.measurement)
            except NotRun as reason:
                values[pick.measurement] = NotRun(str(reason))
            except Exception as error:  # the rules that asked for it have said so, and it is not kept
                values.pop(pick.measurement, error)
        report = replace(kept.wordless(slim(report)), notes=notes(bench))
        read = tuple(self._read[path] for path in asked.read if path in self._read)
        return Judged(report, key, bench.fetched, values, whole, asked, read)

    def measured(self, path: Path) -> dict[str, Any]:
        """What the rules that compare parts ask of a part: by name, a value or NotRun."""
        values: dict[str, Any] = {}
        for pick in self._picks:
            try:
                values[pick.measurement] = self.shelf.measured(path, pick.measurement)
            except NotRun as reason:
                values[pick.measurement] = NotRun(str(reason))
        return values


def wanted(only: frozenset[int] | None) -> Mapping[int, Rule]:
    """The rules to run: those asked for and those that must be clean before them, always with the one that says there is a mesh."""
    return all_rules() if only is None else {number: rooms()[number] for number in sorted(before(only))}


def before(only: frozenset[int]) -> frozenset[int]:
    """These rules with those that must be clean before them, and the one that says there is a mesh."""
    rules = rooms()
    needed, new = set(only) | set(list(rules)[:1]), set(only)
    while new:
        new = {earlier for number in new for earlier in rules[number].after if earlier in rules} - needed
        needed |= new
    return frozenset(needed)


def picks(rules: Mapping[int, Rule]) -> list[Pick]:
    """What the rules ask of the whole shelf."""
    return [pick for rule in rules.values() for pick in rule.picks]


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
    return reading_notes(bench.ticket_path, bench.shop_path, bench.part.source.split_polygons)


def reading_notes(ticket_path: Path | None, shop_path: Path | None, split_polygons: int) -> tuple[str, ...]:
    """As `notes`, for a part that was read in an earlier run."""
    said = []
    files = [p for p in (ticket_path, shop_path) if p is not None]
    if files:
        said.append(f"facts from {' and '.join(path_text(p) for p in files)}")
    if split_polygons:
        said.append(f"{many(split_polygons, 'face')} of more than three corners were cut into triangles on reading")
    return tuple(said)
