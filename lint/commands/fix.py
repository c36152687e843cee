"""buckwright fix: mend one part as far as it may be touched, and write it with its ticket and the record of every step."""

from __future__ import annotations

import argparse
import os
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from lint import __version__, cores, loops
from lint.commands import again, screen
from lint.commands.finished import MARK, fingerprint, finished_ticket, record_data, record_path, refuse_strangers, ticket_path
from lint.commands.judging import notes, slim
from lint.commands.shelves import Facts, OnTheBench, read_part
from lint.load import read_data
from lint.load.ticket import ticket_text
from lint.mend import mend
from lint.report import data, mending
from lint.report.plain import shown
from lint.rooms import all_fixes, all_rules
from lint.save import SUFFIXES as SAVES
from lint.save import encode_for
from lint.save.atomic import swap_in
from lint.settings import EDITION, Settings
from lint.terms import BadInput, Mended, Part, Report, Touch, Weight


def run(args: argparse.Namespace) -> int:
    """Mend the part and write it, or say why not. Raises BadInput for bad words or a part that cannot be used."""
    if args.to is None and not args.plan:
        raise BadInput("fix needs --to FILE, where the mended part goes; or --plan, to hear what would be done")
    facts = Facts(args.ticket, {**args.facts, "allow": args.allow, "steps": args.step or None})
    if args.to is not None:
        refuse(args.path, args.to)
    if args.report is None:
        screen.refuse_on_screen(args.form, "--report FILE")
    else:
        screen.refuse_as_report(args.report, "--report", inputs=[p for p in (args.path, args.ticket, args.from_record) if p is not None])
        if args.to is not None and args.report.absolute() == record_path(args.to).absolute():
            raise BadInput(f"{args.report}: this is where the record of the fix goes: give --report another name")
    if args.picture is not None:
        screen.refuse_as_picture(args.picture, "--picture", inputs=[args.path])
    bench, recorded = _bench(args, facts)
    if args.to is not None:
        refuse_strangers(args.to, bench.ticket_path)
    refuse_unknown_units(bench.part)
    settings = bench.settings if recorded else settings_here(bench)
    for step in settings.steps:
        if step not in all_fixes():
            raise BadInput(f"{step}: this version has no such step; it has: {', '.join(all_fixes())}")
    cores.use(cores.allowed())
    loops.hold_memory()
    with screen.Progress(screen.doing(args.path, "examining")) as progress:
        mended = mend(bench.part, all_rules(), all_fixes(), settings, say=lambda step: progress(screen.doing(args.path, step)))
    mended = replace(mended, before=replace(mended.before, notes=() if recorded else notes(bench)))
    if mended.before.unreadable is not None:
        raise BadInput(mended.before.unreadable)
    report = Report((mended.after,), EDITION, __version__, Weight.STOP, mended)
    written: tuple[Path, ...] = ()
    if args.form == "page":
        report = seen(report, settings)
    lean = _slim(report)
    if not args.plan and report.exit_code() != 2:
        written = write(report, bench, settings, args.to)
        lean = _as_written(lean, args.to)
    same = again.compared(recorded, args.to, fingerprint(args.to)) if recorded and written else ""
    if args.picture is not None and report.exit_code() != 2:
        from lint.report import before_after

        screen.write(args.picture, before_after.render(mended, bench.part, version=__version__, edition=EDITION))
        written = (*written, args.picture)
    if args.form == "json":
        said = {**data.report_data(lean), "plan": args.plan, "written": [data.path_data(p) for p in written]}
        if same:
            said["from_record"] = same
        text = data.text_of(said)
    elif args.form == "page":
        from lint.report import page

        text = page.render(lean, all_rules(), all_fixes(), written=written, plan=args.plan, besides=same)
    else:
        text = mending.render(lean, all_rules(), all_fixes(), written=written, plan=args.plan,
                              width=screen.width(), colour=args.report is None and screen.colour())  # fmt: skip
        text += f"{same}\n" if same else ""
    if args.report is not None:
        screen.write(args.report, text)
    else:
        screen.put(text, machine=args.form != "terminal")
    return report.exit_code()


def _bench(args: argparse.Namespace, facts: Facts) -> tuple[OnTheBench, dict[str, Any]]:
    """The part and the facts it is mended by: those on disk and of the command line, or those of a record (empty: none was given)."""
    if args.from_record is None:
        return read_part(args.path, facts), {}
    said = [n for n in ("ticket", "allow") if getattr(args, n) is not None] + (["step"] if args.step else []) + list(args.facts)
    if said:
        raise BadInput(f"--from-record does over what the record says, so --{said[0]} has no place beside it: leave one of them out")
    return again.read_again(args.path, args.from_record)


def seen(report: Report, settings: Settings) -> Report:
    """The report with the scenes of the part before and after, shown side by side in the coordinates of the finished part."""
    from lint.view.compare import scenes_of

    mended = report.mended
    assert mended is not None
    before, after = scenes_of(mended, settings)
    after_report = replace(mended.after, scene=after)
    return replace(report, parts=(after_report,), mended=replace(mended, before=replace(mended.before, scene=before), after=after_report))


def _slim(report: Report) -> Report:
    mended = report.mended
    assert mended is not None
    lean = Mended(slim(mended.before), slim(mended.after), mended.part, mended.steps, mended.broke)
    return replace(report, parts=(lean.after,), mended=lean)


def _as_written(report: Report, out: Path) -> Report:
    """The report with the finished part under its own name and fingerprint."""
    mended = report.mended
    assert mended is not None
    assert mended.after.part is not None
    source = replace(mended.after.part.source, path=out, sha256=fingerprint(out), size=out.stat().st_size)
    after = replace(mended.after, path=out, part=replace(mended.after.part, source=source))
    return replace(report, parts=(after,), mended=replace(mended, after=after))


def refuse(path: Path, out: Path) -> None:
    """Raise BadInput for an output that must not or cannot be written, before any work is done."""
    if out.suffix.lower() not in SAVES:
        raise BadInput(f"{out}: a part is written as {', '.join(sorted(SAVES))}: give --to one of these endings")
    if out.is_dir():
        raise BadInput(f"{out}: this is a folder: give --to the name of a file")
    if out.exists() and path.exists() and out.samefile(path):
        raise BadInput(f"{out}: this is the part itself, and it is never written over: give --to another name")
    if not out.absolute().parent.is_dir():
        raise BadInput(f"{out}: there is no folder {out.parent}: make it first, or give --to another place")


def refuse_unknown_units(part: Part) -> None:
    """Raise BadInput when neither units nor a reference length say how large the part is, naming the unit that would fit."""
    if part.units is not None or part.ticket.length:
        return
    body = part.ticket.part.body
    fitting: list[str] = []
    if body not in (None, "other") and len(part.vertices) and np.isfinite(part.vertices).all():
        from lint.measure.bodysize import plausible_units

        fitting = plausible_units(body, np.ptp(part.vertices, axis=0))
    fits = f"; a life-size {body} would fit the numbers in {' or '.join(fitting)}" if fitting else ""
    raise BadInput(
        f"{part.source.path}: units unknown: the file does not say whether its numbers are millimetres or metres{fits}. "
        f'Write units = "{fitting[0] if fitting else "mm"}" under [part] in the ticket if that is what they are, give --units, '
        "or mark a length you know with `buckwright size`"
    )


def settings_here(bench: OnTheBench) -> Settings:
    """The settings, with only the record open to touch when nobody says more and no person is watching (CI is set)."""
    settings = bench.settings
    if "allow" in settings.set_by:
        return settings
    watched = os.environ.get("CI", "").lower() in ("", "0", "false", "no")
    who = f"edition {EDITION}" if watched else "CI is set, so nobody is watching"
    allow = Touch.SKIN if watched else Touch.RECORD
    return replace(settings, allow=allow, set_by={**settings.set_by, "allow": who})


def write(report: Report, bench: OnTheBench, settings: Settings, out: Path) -> tuple[Path, ...]:
    """Write record, part and ticket, each by swapping in a whole file. Raises BadInput on no room or a part of unknown size.

    The record goes first, so that whatever a killed run leaves behind is known to be ours and a later run may write over it.
    """
    files = finished_files(report, bench, settings, out)
    inputs = [p for p in (bench.part.source.path, bench.ticket_path) if p is not None]
    for path, content in files.items():
        swap_in(path, content, inputs=inputs)
    return (out, record_path(out), ticket_path(out))


def finished_files(report: Report, bench: OnTheBench, settings: Settings, out: Path) -> dict[Path, bytes]:
    """Record, part and ticket as the bytes of their files, in the order to write them; nothing is written.

    bench: the part as it was read, and its facts. Raises BadInput for a part of unknown size, or one that the format cannot hold.
    """
    assert report.mended is not None
    before, part = bench.part, report.mended.part
    if part.units is None:
        raise BadInput(f"{before.source.path}: its true size is still unknown after the fix, so nothing was written; "
                       "say units in the ticket, or mark a length that can be used")  # fmt: skip
    mesh = encode_for(part, out)
    back = read_data(mesh, out)
    _compare(part, back, out)
    ticket = finished_ticket(before, part, settings, back)
    made_from = shown(before.source.path.name)
    comment = f"{MARK} {__version__}, beside {shown(out.name)}\nmade from {made_from}; points are in the numbers of the new file"
    record = record_data(report, before, settings, out, back.source.sha256, again.given_data(bench, settings))
    return {
        record_path(out): data.text_of(record).encode("utf-8"),
        out: mesh,
        ticket_path(out): ticket_text(ticket, {"": comment}).encode("utf-8"),
    }


def _compare(part: Part, back: Part, out: Path) -> None:
    """What will be read must be what was examined, as far as the format can hold it: 32-bit numbers keep six figures."""
    wrote, holds = (p.vertices[p.faces].reshape(-1, 3) for p in (part, back))
    slack = 1e-6 * float(np.abs(wrote).max(initial=0.0)) + 1e-6
    if wrote.shape != holds.shape or not np.allclose(wrote, holds, rtol=0, atol=slack):
        raise RuntimeError(f"{out.name} does not read back as it was made")
