"""Results as they are kept in the store: packed and strictly read, without the mesh and without the words that a file holds.

What a part alone decides (`Alone`) is kept apart from what the rules that compare parts said of it (`Compared`), because the latter
stands only as long as the shelf would answer the same.
"""

from __future__ import annotations

import typing
from collections.abc import Mapping
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from lint import measure
from lint.commands.keys import Read
from lint.commands.packing import packed, unpacked
from lint.settings import Settings
from lint.terms import Finding, NotRun, Outcome, Part, PartReport, RuleResult, Source
from lint.ticket import Ticket

_STANDING = frozenset({Outcome.CLEAN, Outcome.FOUND, Outcome.NOT_RUN})


class Alone(msgspec.Struct, array_like=True):
    """What was said of one part by the rules that look at nothing else, and what those that compare parts ask of it.

    values, failures: measurements of it that are compared, packed, or why they could not be had, by name. fetched: files beside it that
    it refers to, as they were. source: format, SHA-256, bytes, polygons cut into triangles.
    """

    fetched: dict[str, str | None]
    values: dict[str, bytes]
    failures: dict[str, str]
    source: tuple[str, str, int, int]
    units: str | None
    units_from: str
    placement: tuple[float, ...]
    ticket: Ticket
    settings: Settings
    rules: tuple[RuleResult, ...]
    findings: tuple[Finding, ...]
    seconds: float
    measured_seconds: dict[str, float]
    extents: tuple[float, float, float] | None
    low: tuple[float, float, float] | None
    faces: int
    volume: float | None


class Compared(msgspec.Struct, array_like=True):
    """What the rules that compare parts said, and what they were answered (see lint.shelf.Asked)."""

    others: bool | None
    answers: dict[str, str]
    read: tuple[Read, ...]
    rules: tuple[RuleResult, ...]
    findings: tuple[Finding, ...]


def finished(report: PartReport) -> bool:
    """Whether a report says everything that there is to say: nothing broke, nothing was given up."""
    return report.unreadable is None and report.part is not None and all(r.outcome in _STANDING for r in report.rules)


def alone(report: PartReport, comparing: frozenset[int], fetched: Mapping[str, str | None], values: Mapping[str, Any]) -> bytes:
    """The packed result of a finished report, without the rules that compare parts. values: by name, a measurement or NotRun."""
    part = report.part
    assert part is not None
    source = part.source
    kept = Alone(
        fetched=dict(fetched),
        values={name: packed(value) for name, value in values.items() if not isinstance(value, NotRun)},
        failures={name: str(value) for name, value in values.items() if isinstance(value, NotRun)},
        source=(source.format, source.sha256, source.size, source.split_polygons),
        units=part.units,
        units_from=part.units_from,
        placement=tuple(part.placement.ravel().tolist()),
        ticket=part.ticket,
        settings=report.settings,
        rules=tuple(r for r in report.rules if r.number not in comparing),
        findings=tuple(f for f in report.findings if f.rule not in comparing),
        seconds=report.seconds,
        measured_seconds=dict(report.measured_seconds),
        extents=report.extents,
        low=report.low,
        faces=report.faces,
        volume=report.volume,
    )
    return packed(kept)


def compared(report: PartReport, comparing: frozenset[int], others: bool | None, answers: Mapping[str, str], read: list[Read]) -> bytes:
    """The packed result of the rules that compare parts."""
    rules = tuple(r for r in report.rules if r.number in comparing)
    return packed(Compared(others, dict(answers), tuple(read), rules, tuple(f for f in report.findings if f.rule in comparing)))


def read_alone(data: bytes) -> Alone | None:
    """What `alone` packed; None when it is anything else."""
    found: Alone | None = unpacked(data, Alone)
    return found if found is not None and all(r.outcome in _STANDING for r in found.rules) else None


def read_compared(data: bytes) -> Compared | None:
    """What `compared` packed; None when it is anything else."""
    found: Compared | None = unpacked(data, Compared)
    return found if found is not None and all(r.outcome in _STANDING for r in found.rules) else None


def read_value(kept: Alone, name: str) -> Any:
    """A measurement of a kept part, or the NotRun that says why it could not be had. Raises KeyError when neither is kept."""
    if name in kept.failures:
        return NotRun(kept.failures[name])
    value = unpacked(kept.values[name], _type_of(name))
    if value is None:
        raise KeyError(name)
    return value


@cache
def _type_of(name: str) -> Any:
    return typing.get_type_hints(measure.named(name))["return"]


def report_of(kept: Alone, path: Path, ticket_path: Path | None, notes: tuple[str, ...]) -> PartReport:
    """The report of a kept part, still without the rules that compare parts."""
    source = Source(path, kept.source[0], kept.source[1], kept.source[2], split_polygons=kept.source[3])
    placement = np.array(kept.placement, dtype=np.float64).reshape(4, 4)
    part = Part(_NO_POINTS, _NO_FACES, source, kept.units, kept.units_from, placement, kept.ticket, ticket_path)
    return PartReport(
        part=part,
        path=path,
        rules=kept.rules,
        findings=kept.findings,
        seconds=kept.seconds,
        measured_seconds=kept.measured_seconds,
        extents=kept.extents,
        notes=notes,
        faces=kept.faces,
        low=kept.low,
        settings=kept.settings,
        volume=kept.volume,
        stored=True,
    )


def wordless(report: PartReport) -> PartReport:
    """The report without the words and names that stand in the part's file: they have been judged, and need not travel on."""
    if report.part is None:
        return report
    return replace(report, part=replace(report.part, source=replace(report.part.source, texts=(), attachments=(), objects=())))


_NO_POINTS = np.empty((0, 3))
_NO_FACES = np.empty((0, 3), dtype=np.int64)
