"""JSON, format 1: the report as data. Fields are only ever added to a format, never renamed or taken away."""

from __future__ import annotations

import math
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import msgspec

from lint.report.plain import near
from lint.settings import Settings
from lint.terms import Finding, Mended, PartReport, Place, Report, RuleResult, StepResult, Zone

FORMAT = 1


def render(report: Report) -> str:
    """The whole report as JSON text, ending in a line break."""
    return text_of(report_data(report))


def text_of(data: Mapping[str, Any]) -> str:
    """JSON text of data made here; numbers that JSON cannot say are null."""
    return msgspec.json.format(msgspec.json.encode(_sayable(data)), indent=1).decode("utf-8") + "\n"


def report_data(report: Report) -> dict[str, Any]:
    """The report as plain data."""
    data: dict[str, Any] = {
        "format": FORMAT,
        "tool": tool_data(report),
        "line": report.line.word,
        "exit": report.exit_code(),
        "parts": [part_data(p) for p in report.parts],
    }
    if report.mended is not None:
        data["steps"] = [step_data(s) for s in report.mended.steps]
        data["before"] = part_data(report.mended.before)
        data["after"] = part_data(report.mended.after)
        data["placement"] = placement_data(report.mended)
    return data


def tool_data(report: Report) -> dict[str, Any]:
    """Who wrote this."""
    return {"name": "buckwright", "version": report.version, "edition": report.edition}


def part_data(part: PartReport) -> dict[str, Any]:
    """Everything said about one part."""
    source = part.part.source if part.part is not None else None
    return {
        "path": path_data(part.path),
        "sha256": source.sha256 if source else None,
        "unreadable": part.unreadable,
        "faces": part.faces if part.part is not None else None,
        "extents_mm": list(part.extents) if part.extents else None,
        "low_corner": list(part.low) if part.low else None,
        "units": part.part.units if part.part is not None else None,
        "units_from": part.part.units_from if part.part is not None else None,
        "stored": part.stored,
        "seconds": round(part.seconds, 4),
        "measured_seconds": {name: round(s, 4) for name, s in part.measured_seconds.items()},
        "settings": settings_data(part.settings),
        "notes": list(part.notes),
        "rules": [_rule(r) for r in part.rules],
        "findings": [_finding(f) for f in part.findings],
    }


def path_data(path: Path) -> str:
    """A path as text, with forward slashes; bytes that are no text become the replacement mark."""
    return os.fsencode(near(path).as_posix()).decode("utf-8", "replace")


def settings_data(settings: Settings | None) -> dict[str, Any] | None:
    """Every fact of the run with who set it; None when there was no run."""
    if settings is None:
        return None
    data: dict[str, Any] = {}
    for name in ("process", "nozzle", "layer", "bed", "mould", "pull", "wall", "margin", "base", "corner", "clay", "units"):
        value = getattr(settings, name)
        if value is not None:
            data[name] = {"value": list(value) if isinstance(value, tuple) else value, "set_by": settings.set_by.get(name)}
    data["allow"] = {"value": settings.allow.word, "set_by": settings.set_by.get("allow")}
    data["steps"] = {"value": list(settings.steps), "set_by": settings.set_by.get("steps")}
    return data


def _rule(result: RuleResult) -> dict[str, Any]:
    return {
        "number": result.number,
        "name": result.name,
        "outcome": str(result.outcome),
        "why": result.why,
        "missing": result.missing or None,
        "seconds": round(result.seconds, 4),
        "limits": {name: {"value": x.value, "unit": x.unit, "set_by": x.set_by} for name, x in result.limits.items()},
    }


def _finding(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "name": finding.name,
        "case": finding.case,
        "weight": finding.weight.word,
        "measured": finding.measured,
        "limit": finding.limit,
        "unit": finding.unit,
        "place": _place(finding.place),
        "sampled": finding.sampled,
        "fix": finding.fix,
        "accepted": finding.accepted,
        "trial": finding.trial,
        "message": finding.message,
        "related": [{"what": what, "place": _place(place)} for what, place in finding.related],
    }


def _place(place: Place | None) -> dict[str, Any] | None:
    return None if place is None else {"centre": list(place.centre), "reach": place.reach}


def step_data(step: StepResult) -> dict[str, Any]:
    """One step of a fix."""
    return {
        "name": step.name,
        "touch": step.touch.word,
        "outcome": step.outcome,
        "why": step.why,
        "moved_max_mm": step.moved_max,
        "moved_p99_mm": step.moved_p99,
        "seconds": round(step.seconds, 3),
        "peak_mib": None if step.peak_mib is None else round(step.peak_mib, 1),
        "zones": [_zone(z) for z in step.zones],
        "cautions": list(step.cautions),
    }


def _zone(zone: Zone) -> dict[str, Any]:
    return {"kind": zone.kind, "why": zone.why, "size": zone.size, "points": [list(p) for p in zone.points], "chain": zone.chain}


def placement_data(mended: Mended) -> list[list[float]]:
    """The (4, 4) that takes the numbers of the input file to those of the finished part, in mm."""
    return [[float(v) for v in row] for row in mended.part.placement]


def _sayable(value: Any) -> Any:
    """Plain data with numbers that JSON lacks as None, and text with lone surrogates replaced."""
    if isinstance(value, float):  # most of a record is points, so these are asked for first
        return float(value) if math.isfinite(value) else None
    if isinstance(value, list | tuple):
        return [_sayable(v) for v in value]
    if isinstance(value, str):
        return value if value.isascii() else value.encode("utf-8", "replace").decode("utf-8")
    if isinstance(value, bool) or value is None:
        return value
    if isinstance(value, Mapping):
        return {_sayable(str(k)): _sayable(v) for k, v in value.items()}
    if isinstance(value, int):
        return int(value)
    number = float(value)
    return number if math.isfinite(number) else None
