"""SARIF 2.1.0 (OASIS standard): one result per finding, for tools that gather findings of many checkers.

What the schema does not hold is kept here by hand: a level other than "none" only with kind "fail" (3.27.10), a binary
region only for binary STL (3.30.3), suppressions on every result or none (3.27.23), partialFingerprints and never
fingerprints (3.27.16). A fix of a mesh is no replacement of bytes, so it is named in the properties (3.55).
"""

from __future__ import annotations

import hashlib
import math
import os
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any
from urllib.parse import quote

from lint.report.data import text_of
from lint.report.plain import near, shown
from lint.terms import Finding, Outcome, PartReport, Place, Report, Rule, RuleResult, Weight

SCHEMA = "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
BASE = "PARTS"
FINGERPRINT = "ruleCaseSpot/v1"
LEVELS = {Weight.STOP: "error", Weight.CAUTION: "warning", Weight.NOTE: "note"}
MEDIA_TYPES = {".stl": "model/stl", ".obj": "model/obj", ".glb": "model/gltf-binary", ".gltf": "model/gltf+json", ".3mf": "model/3mf"}

CELL_MM = 1.0
# Parts made by numbers have their spots on whole and half millimetres: a cell border there would be a coin's toss.
CELL_SHIFT = 0.3719


def render(report: Report, rules: Mapping[int, Rule]) -> str:
    """The whole report as SARIF text, ending in a line break."""
    ran = sorted({r.number for p in report.parts for r in p.rules})
    index = {number: i for i, number in enumerate(ran)}
    results: list[dict[str, Any]] = []
    notifications: list[dict[str, Any]] = []
    for place, part in enumerate(report.parts):
        results.extend(_results(part, place, index))
        notifications.extend(_notifications(part, place, index))
    code = report.exit_code()
    run: dict[str, Any] = {
        "tool": {
            "driver": {
                "name": "buckwright",
                "version": report.version,
                "semanticVersion": report.version,
                "rules": [_descriptor(rules[n]) for n in ran],
                "properties": {"edition": report.edition},
            }
        },
        "originalUriBaseIds": {BASE: {"description": {"text": "the folder that buckwright was run in"}}},
        "artifacts": [_artifact(p) for p in report.parts],
        "invocations": [{"executionSuccessful": code != 2, "exitCode": code, "toolExecutionNotifications": notifications}],
        "results": results,
        "defaultEncoding": "utf-8",
    }
    return text_of({"$schema": SCHEMA, "version": "2.1.0", "runs": [run]})


def _descriptor(rule: Rule) -> dict[str, Any]:
    first = rule.page.split("\n", 1)[0].strip() or rule.name
    return {
        "id": str(rule.number),
        "name": rule.name,
        "shortDescription": {"text": first},
        "fullDescription": {"text": first},
        "help": {"text": rule.page or rule.name},
        "defaultConfiguration": {"level": LEVELS[rule.weight]},
    }


def uri(path: Path) -> tuple[str, bool]:
    """The escaped URI of a path (RFC 3986) and whether it is relative to where we stand."""
    stands = near(path)
    below = not stands.is_absolute() and ".." not in stands.parts
    raw = os.fsencode(stands.as_posix() if below else path.resolve().as_posix())
    return (quote(raw, safe="/"), True) if below else ("file://" + quote(raw, safe="/"), False)


def _location(part: PartReport, index: int) -> dict[str, Any]:
    text, relative = uri(part.path)
    location: dict[str, Any] = {"uri": text, "index": index}
    if relative:
        location["uriBaseId"] = BASE
    return location


def _artifact(part: PartReport) -> dict[str, Any]:
    text, relative = uri(part.path)
    artifact: dict[str, Any] = {"location": {"uri": text, **({"uriBaseId": BASE} if relative else {})}, "roles": ["analysisTarget"]}
    if part.path.suffix.lower() in MEDIA_TYPES:
        artifact["mimeType"] = MEDIA_TYPES[part.path.suffix.lower()]
    if part.part is not None:
        artifact["length"] = part.part.source.size
        if part.part.source.sha256:
            artifact["hashes"] = {"sha-256": part.part.source.sha256}
        artifact["properties"] = {"faces": part.faces, "extents_mm": part.extents, "units": part.part.units}
    return artifact


def _results(part: PartReport, place: int, index: Mapping[int, int]) -> Iterator[dict[str, Any]]:
    used: dict[str, int] = {}
    for finding in part.findings:
        key = f"{finding.rule}:{finding.case}:{_cell(part, finding.place)}"
        yield {
            **_result(part, place, index, finding.rule, finding.message, _fingerprint(key, used)),
            "kind": "informational" if finding.trial else "fail",
            "level": "none" if finding.trial else LEVELS[finding.weight],
            "locations": [{"physicalLocation": _physical(part, place, finding.place)}],
            "suppressions": _suppressions(finding),
            "properties": _properties(finding),
        }
    for result in part.ended[Outcome.NOT_RUN]:
        key = f"{result.number}:not run:"
        yield {
            **_result(part, place, index, result.number, f"not run: {result.why}", _fingerprint(key, used)),
            "kind": "notApplicable" if _not_for_this_part(result) else "open",
            "level": "none",
            "locations": [{"physicalLocation": {"artifactLocation": _location(part, place)}}],
            "suppressions": [],
        }


def _result(part: PartReport, place: int, index: Mapping[int, int], rule: int, message: str, fingerprint: str) -> dict[str, Any]:
    return {
        "ruleId": str(rule),
        "ruleIndex": index[rule],
        "message": {"text": shown(message)},
        "analysisTarget": _location(part, place),
        "partialFingerprints": {FINGERPRINT: fingerprint},
    }


def _not_for_this_part(result: RuleResult) -> bool:
    return result.missing.startswith("process=") or result.why.startswith("switched off")


def _cell(part: PartReport, place: Place | None) -> str:
    """The 1 mm cell of a spot, counted from the part's own low corner, so that a part moved in space keeps its marks."""
    if place is None or part.low is None or part.extents is None or not all(map(math.isfinite, place.centre)):
        return ""
    spot = (centre - low for centre, low in zip(place.centre, part.low, strict=True))
    return ",".join(str(math.floor(v / CELL_MM + CELL_SHIFT)) for v in spot)


def _fingerprint(key: str, used: dict[str, int]) -> str:
    used[key] = used.get(key, 0) + 1
    return hashlib.sha256(f"{key}#{used[key]}".encode()).hexdigest()


def _physical(part: PartReport, index: int, place: Place | None) -> dict[str, Any]:
    """The whole file, or the 50 bytes of one face of a binary STL (84 bytes of header, then 50 a face)."""
    physical: dict[str, Any] = {"artifactLocation": _location(part, index)}
    if part.part is None or place is None or place.faces is None or len(place.faces) != 1:
        return physical
    if part.path.suffix.lower() == ".stl" and part.part.source.size == 84 + 50 * part.faces:
        physical["region"] = {"byteOffset": 84 + 50 * int(place.faces[0]), "byteLength": 50}
    return physical


def _suppressions(finding: Finding) -> list[dict[str, Any]]:
    if finding.accepted is None:
        return []
    return [{"kind": "external", "status": "accepted", "justification": finding.accepted}]


def _properties(finding: Finding) -> dict[str, Any]:
    place = finding.place
    return {
        "case": finding.case,
        "weight": finding.weight.word,
        "measured": finding.measured,
        "limit": finding.limit,
        "unit": finding.unit,
        "centre": list(place.centre) if place else None,
        "reach": place.reach if place else None,
        "sampled": finding.sampled,
        "fix": finding.fix,
        "trial": finding.trial,
    }


def _notifications(part: PartReport, place: int, index: Mapping[int, int]) -> Iterator[dict[str, Any]]:
    where = [{"physicalLocation": {"artifactLocation": _location(part, place)}}]
    if part.unreadable is not None:
        yield {"level": "error", "message": {"text": shown(part.unreadable)}, "locations": where}
    for result in part.ended[Outcome.BROKE]:
        yield {
            "level": "error",
            "message": {"text": shown(f"rule {result.number} ({result.name}) broke: {result.why}")},
            "associatedRule": {"id": str(result.number), "index": index[result.number]},
            "locations": where,
        }
