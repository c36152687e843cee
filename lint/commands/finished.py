"""What is written beside a finished part: its ticket, carried to where the part now lies, and the record of every step."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from lint.report.data import FORMAT, part_data, path_data, placement_data, settings_data, step_data, tool_data
from lint.settings import Settings
from lint.terms import BadInput, FloatArray, Part, Report
from lint.ticket import OTHER_SIDE, FixTable, Length, Point, PrintTable, Ticket, Units, UseTable

MARK = "written by buckwright fix"


def ticket_path(out: Path) -> Path:
    """The ticket of a finished part: the file's full name, so that it can never be the ticket of another file's."""
    return out.with_name(out.name + ".ticket.toml")


def record_path(out: Path) -> Path:
    """The record of a finished part."""
    return out.with_name(out.name + ".record.json")


def refuse_strangers(out: Path, used_ticket: Path | None) -> None:
    """Raise BadInput when a file in the way is not as a fix left it, or is the very ticket of the input.

    A scan or a ticket that a person made may be the only one there is: it is never written over because a name was chosen twice.
    """
    ticket, record = ticket_path(out), record_path(out)
    if ticket.exists():
        if used_ticket is not None and used_ticket.exists() and ticket.samefile(used_ticket):
            raise BadInput(f"{ticket}: this is the ticket of the part to be mended, and it is never written over: give --to another name")
        if MARK not in _bytes(ticket)[:400].decode("utf-8", "replace"):
            raise BadInput(f"{ticket}: a ticket that a person wrote stands where the finished part's would go: move it, or change --to")
    made = _made(record) if record.exists() else frozenset()
    if out.exists() and fingerprint(out) not in made:
        raise BadInput(f"{out}: there is a part of that name which is not as a fix left it, perhaps the only one: move it, or change --to")


def _made(record: Path) -> frozenset[str]:
    """The fingerprints of the part that a record speaks of and of the one it took the place of, also made by a fix.

    The record is written before the part: a run that was killed in between leaves the new record beside the old part.
    Raises BadInput when the file is no record of a fix.
    """
    try:
        data = json.loads(_bytes(record))
        if data["format"] == FORMAT and data["tool"]["name"] == "buckwright":
            return frozenset(str(x) for x in (data["output"]["sha256"], data["output"].get("replaces")) if x is not None)
    except (ValueError, KeyError, TypeError):
        pass  # said below
    raise BadInput(f"{record}: a file that is no record of a fix stands where the record would go: move it, or change --to")


def fingerprint(path: Path) -> str:
    """The SHA-256 of a file. Raises BadInput when it cannot be read."""
    return hashlib.sha256(_bytes(path)).hexdigest()


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise BadInput(f"{path}: could not be read: {error.strerror or error}") from error


def finished_ticket(before: Part, after: Part, settings: Settings, out: Part) -> Ticket:
    """The facts of the input, with its points and directions in the numbers of the finished file.

    out: the finished file as read back, whose placement says how its own numbers relate to mm. Steps and cuts are done, so they
    are left out; facts given as flags for this run are facts of the finished part too.
    """
    old = before.ticket
    to_out = np.linalg.inv(out.placement) @ after.placement
    mirrored = np.linalg.det(after.placement[:3, :3]) * np.linalg.det(before.placement[:3, :3]) < 0
    part = msgspec.structs.replace(
        old.part,
        units=_units_of(out),
        side=OTHER_SIDE[old.part.side] if mirrored else old.part.side,
        pair=None if mirrored or old.part.pair is None else _from(before.source.path, old.part.pair, out.source.path),
        face=_turned(to_out, old.part.face),
    )
    pull = settings.pull if _by_flag(settings, "pull") else old.use.pull
    return Ticket(
        part=part,
        length=[Length(_carried(to_out, m.from_), _carried(to_out, m.to), m.true, m.name) for m in old.length],
        caliper=[msgspec.structs.replace(c, from_=_carried(to_out, c.from_), to=_carried(to_out, c.to)) for c in old.caliper],
        print=msgspec.structs.replace(old.print, **_flagged(settings, PrintTable)),
        use=msgspec.structs.replace(old.use, **{**_flagged(settings, UseTable), "pull": _turned(to_out, pull)}),
        fix=FixTable(allow=old.fix.allow),
    )


def _from(old: Path, name: str, new: Path) -> str:
    """A file named beside `old`, as it is called from beside `new`."""
    target = old.absolute().parent / name
    try:
        return Path(os.path.relpath(target, new.absolute().parent)).as_posix()
    except ValueError:  # on another drive
        return target.as_posix()


def _units_of(out: Part) -> Units:
    units: Any = out.units or "mm"
    return units  # type: ignore[no-any-return]


def _by_flag(settings: Settings, name: str) -> bool:
    return settings.set_by.get(name, "").startswith("--")


def _flagged(settings: Settings, table: type[msgspec.Struct]) -> dict[str, Any]:
    return {f: getattr(settings, f) for f in table.__struct_fields__ if _by_flag(settings, f)}


def _carried(matrix: FloatArray, point: Sequence[float]) -> Point:
    x, y, z = matrix[:3, :3] @ np.asarray(point) + matrix[:3, 3]
    return (float(x), float(y), float(z))


def _turned(matrix: FloatArray, direction: Sequence[float] | None) -> Point | None:
    if direction is None:
        return None
    x, y, z = matrix[:3, :3] @ np.asarray(direction)
    length = float(np.linalg.norm((x, y, z)))
    return (float(x) / length, float(y) / length, float(z) / length) if length else (0.0, 0.0, 0.0)


def record_data(report: Report, before: Part, settings: Settings, out: Path, sha256: str, given: dict[str, Any]) -> dict[str, Any]:
    """The record: tool, input and output with their fingerprints, facts with who set them, placement, and every step.

    A part of an earlier fix that stands in its place is named too, by its fingerprint. given: all that the run went by, so that it can
    be done over.

    File names stand without their folders: a record is kept and passed on beside the part.
    """
    assert report.mended is not None
    mended = report.mended
    after = part_data(mended.after)
    return {
        "format": FORMAT,
        "tool": tool_data(report),
        "input": {
            "name": path_data(Path(before.source.path.name)),
            "sha256": before.source.sha256,
            "format": before.source.format,
            "units": before.units,
            "units_from": before.units_from,
            "faces": len(before.faces),
        },
        "output": {
            "name": path_data(Path(out.name)),
            "sha256": sha256,
            "replaces": fingerprint(out) if out.exists() else None,
            "faces": after["faces"],
            "extents_mm": after["extents_mm"],
        },
        "settings": settings_data(settings),
        "given": given,
        "placement": placement_data(mended),
        "steps": [step_data(s) for s in mended.steps],
        "before": _said(part_data(mended.before)),
        "after": _said(after),
    }


def _said(part: dict[str, Any]) -> dict[str, Any]:
    return {key: part[key] for key in ("rules", "findings")}
