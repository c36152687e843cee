"""What is done for one page, in a process of its own: reading, judging, mending. Each piece of work is a plain dictionary in and out.

The process stands in the folder of its page, and every file it writes there has a name of ours. What the maker called the scan is
only a label, for messages, the record and the names of downloads.
"""

from __future__ import annotations

import os
import shlex
import sys
import traceback
from collections.abc import Callable, Mapping
from dataclasses import replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from lint import __version__, cores
from lint.commands.finished import record_path, ticket_path
from lint.commands.fix import finished_files, refuse_unknown_units
from lint.commands.judging import wanted
from lint.commands.shelves import OnTheBench
from lint.commands.size import said as length_said
from lint.load import LoadLimits, path_shown, read_data
from lint.load.doors import read_bytes
from lint.load.raw import Fault
from lint.load.strict import Wrong, check
from lint.load.ticket import ENDING, find_shop, read_shop, read_ticket, ticket_text
from lint.measure.bodysize import plausible_units
from lint.mend import mend
from lint.page import picture, tell, unpack
from lint.report.plain import path_text, shown
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import EDITION, gather
from lint.size import mark
from lint.terms import BadInput, Declined, NotRun, Part, Report, Weight
from lint.ticket import Ticket

Answer = dict[str, Any]

# The files of one page, by what they are asked for as; where the finished part lies, and what each is called once saved.
MESH_KINDS = ("3mf", "stl")
_TOO_LARGE = "there is not enough memory for a scan of this size: thin it out first"
_tell: Connection | None = None


def prepare(folder: str, progress: Connection) -> None:
    """Once in each new process: stand in the page's folder, and bring in what is heavy before memory is capped."""
    global _tell
    os.chdir(folder)
    _tell = progress
    cores.use(cores.allowed())
    all_rules()
    all_fixes()


def work(job: Mapping[str, Any]) -> Answer:
    """One piece of work. {"done": ...}, or {"fault": one plain line} for what the file or the words are like."""
    try:
        return {"done": _WORK[job["what"]](job)}
    except (BadInput, NotRun, Declined) as reason:
        return {"fault": shown(str(reason))}
    except MemoryError:
        return {"fault": _TOO_LARGE}
    except Exception as error:  # a crash is ours: the page says so and goes on
        if "can't start new thread" in str(error):  # a thread wants memory for its stack, and says it so when there is none
            return {"fault": _TOO_LARGE}
        if os.environ.get("BUCKWRIGHT_TRACE") == "1":
            traceback.print_exc(file=sys.stderr)
        return {"fault": shown(f"this is a bug of buckwright: {type(error).__name__}: {error}"), "bug": True}


def _say(what: str, text: str) -> None:
    if _tell is not None:
        _tell.send({"step": what, "does": text})


def _opened(job: Mapping[str, Any]) -> Answer:
    """Read a scan that has come in, out of its zip if it is in one, and say what the file holds."""
    scan, caps = dict(job["scan"]), job["caps"]
    if Path(scan["path"]).suffix == ".zip":
        for left in Path().glob("unpacked.*"):
            left.unlink()
        path, name = unpack.take_scan(Path(scan["path"]), Path("unpacked.x"), entries=caps["entries"], unpacked=caps["unpacked"])
        scan.update(path=os.fspath(path.absolute()), label=plain_name(name), typed=plain_name(name))
    given = read_ticket(Path(scan["ticket"])) if scan.get("ticket") else Ticket()
    bench = _bench(scan, Ticket(part=msgspec.structs.replace(Ticket().part, units=given.part.units)))
    part = bench.part
    sound = examine(part, wanted(frozenset()), bench.settings)
    if sound.unreadable is not None:
        raise BadInput(sound.unreadable)
    seen = picture.save(part, Path("scan.view"))
    low, high = part.vertices.min(axis=0), part.vertices.max(axis=0)
    source = part.source
    return {
        "scan": scan,
        "name": shown(source.path.name),
        "format": source.format,
        "bytes": source.size,
        "faces": len(part.faces),
        "points": len(part.vertices),
        "units": part.units,
        "units_from": part.units_from,
        "low": low.tolist(),
        "high": high.tolist(),
        "from_file": part.placement.tolist(),
        "to_file": np.linalg.inv(part.placement).tolist(),
        "split": source.split_polygons,
        "pictures": bool(source.attachments),
        "words": bool(source.texts),
        "picture": seen,
        "ticket": msgspec.to_builtins(given),
        "shop": None if bench.shop_path is None else path_text(bench.shop_path),
    }


def _units(job: Mapping[str, Any]) -> Answer:
    """The units that would make the part life-size, the best first: to be offered, never assumed."""
    part = _bench(job["scan"], Ticket()).part
    scale = np.linalg.norm(part.placement[:3, 0])
    extents = np.ptp(part.vertices, axis=0) / scale
    return {"fitting": plausible_units(str(job["body"]), extents), "extents": extents.tolist()}


def _length(job: Mapping[str, Any]) -> Answer:
    """A true length marked on the scan: two picks made exact, or the ball or block found. Points in the file's own numbers."""
    part = _bench(job["scan"], _ticket(job["ticket"])).part
    _say("looking for the length", "fitting flat ends, blocks or balls to the skin of the scan")
    length, how = mark(part, job.get("true"), job.get("from"), job.get("to"), job.get("ball"), job.get("bar"))
    ends = part.place_points([length.from_, length.to])
    measured = float(np.linalg.norm(ends[1] - ends[0]))
    return {"length": msgspec.to_builtins(length), "how": shown(how), "says": length_said(part, measured, length.true),
            "in_file": float(np.linalg.norm(np.subtract(length.to, length.from_)))}  # fmt: skip


def _judged(job: Mapping[str, Any]) -> Answer:
    """Every rule on the scan as it is, with the facts told so far."""
    ticket = _ticket(job["ticket"])
    bench = _bench(job["scan"], ticket)
    _say("examining", "asking every rule")
    report = examine(bench.part, all_rules(), bench.settings)
    if report.unreadable is not None:
        raise BadInput(report.unreadable)
    return {**tell.report_data(report, ticket), "picture": picture.save(bench.part, Path("judged.view"), tell.counted(report))}


def _mended(job: Mapping[str, Any]) -> Answer:
    """Mend the part, keep the finished files, and say what each step did. What is written is what `buckwright fix` would write."""
    ticket = _ticket(job["ticket"])
    bench = _bench(job["scan"], ticket)
    refuse_unknown_units(bench.part)
    fixes = all_fixes()
    _say("examining", "asking every rule")
    mended = mend(bench.part, all_rules(), fixes, bench.settings, say=lambda step: _say(step, fixes[step].does))
    if mended.before.unreadable is not None:
        raise BadInput(mended.before.unreadable)
    report = Report((mended.after,), EDITION, __version__, Weight.STOP, mended)
    answer = {**tell.mended_data(mended, ticket), "saved": {}}
    if report.exit_code() == 2:
        return answer
    _say("saving", "writing the part, its ticket and the record")
    for kind in MESH_KINDS:
        out = out_path(bench.part.source.path, kind)
        files = finished_files(report, bench, bench.settings, out)
        for ending, path in ((kind, out), (f"{kind}-ticket", ticket_path(out)), (f"{kind}-record", record_path(out))):
            Path(f"finished.{ending}").write_bytes(files[path])
            answer["saved"][ending] = {"name": path.name, "bytes": len(files[path])}
    return {**answer, "pictures": picture.save_pair(bench.part, mended, tell.counted(mended.after))}


def _told(job: Mapping[str, Any]) -> Answer:
    """The ticket as text, and the command that does the same again."""
    ticket = _ticket(job["ticket"])
    path = Path(job["scan"]["typed"])
    text = ticket_text(ticket, {"": f"Ticket of {shown(path.name)}, filled in on the local page of buckwright"})
    beside = path.with_name(path.name + ENDING)
    words = ["buckwright", "fix", shown(str(path)), "--ticket", shown(str(beside)), "--to", shown(str(out_path(path, "3mf")))]
    return {"text": text, "name": f"{path.name}{ENDING}", "command": shlex.join(words)}


def out_path(path: Path, kind: str) -> Path:
    """What the finished part of a scan is called, beside the scan; the page writes nothing there."""
    return path.with_name(f"{path.stem}.buck.{kind}")


def plain_name(text: str) -> str:
    """What a maker calls a file, fit to be shown and to be offered as the name of a download: no folder, nothing that steers.

    It is a label; no file of the page is opened by it.
    """
    last = text.replace("\\", "/").rsplit("/", 1)[-1]
    kept = "".join(c if c.isprintable() and c not in '<>:"|?*' else "_" for c in last).strip(". ")
    stem, dot, suffix = kept.rpartition(".")
    return f"{stem[:80]}.{suffix[:20].lower()}" if dot else kept[:80] or "scan"


def _bench(scan: Mapping[str, Any], ticket: Ticket) -> OnTheBench:
    """The scan with the facts it is judged by, as `read_part` would have it. A shop file counts only for a part given by its path."""
    path, label = Path(scan["path"]), Path(scan["label"])
    shop_path = find_shop(path.absolute().parent) if scan["given"] else None
    shop = read_shop(shop_path) if shop_path is not None else None
    limits = LoadLimits(max_bytes=scan["most"], max_unpacked=scan["most"])
    try:
        data = read_bytes(path, limits.max_bytes)
    except Fault as fault:
        raise BadInput(f"{path_shown(label)}: {fault}") from None
    part: Part = read_data(data, label, ticket, shop_units=shop.part.units if shop is not None else None, limits=limits)
    del data
    beside = Path(f"{label}{ENDING}")
    settings = gather(
        ticket, shop, {"repository": shop is not None}, shop_name=path_text(shop_path) if shop_path else "shop.toml", rules=all_rules()
    )
    return OnTheBench(replace(part, ticket_path=beside), settings, beside, shop_path)


def _ticket(said: Any) -> Ticket:
    """The facts that the page has gathered, held to the same strictness as a ticket on disk. Raises BadInput, one line."""
    try:
        check(said, Ticket)
        ticket = msgspec.convert(said, Ticket)
    except (Wrong, msgspec.ValidationError) as wrong:
        place = f"{wrong.place}: " if isinstance(wrong, Wrong) else ""
        raise BadInput(f"the ticket: {place}{wrong}") from None
    path = Path("said.ticket.toml")
    path.write_text(ticket_text(ticket), encoding="utf-8")
    return read_ticket(path)


_WORK: Mapping[str, Callable[[Mapping[str, Any]], Answer]] = {
    "open": _opened, "units": _units, "length": _length, "judge": _judged, "mend": _mended, "ticket": _told,
}  # fmt: skip
KINDS = frozenset(_WORK)
