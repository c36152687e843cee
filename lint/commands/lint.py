"""buckwright lint: judge parts and say what would go wrong, before anything is printed."""

from __future__ import annotations

import argparse
import contextlib
from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from lint import __version__
from lint.changed import changed_since
from lint.commands import screen
from lint.commands.keys import OnDisk
from lint.commands.listing import listing_of
from lint.commands.running import How, Run
from lint.commands.shelves import Facts, find_parts, folders_stay
from lint.commands.sweeping import unswept
from lint.commands.whole import Told, Whole
from lint.report.plain import path_text
from lint.rooms import all_rules, fixes_at_hand, rooms
from lint.settings import EDITION
from lint.store import open_store
from lint.terms import BadInput, PartReport, Report, Weight

# What judges is imported where it is needed: a report that is told again needs none of it.
if TYPE_CHECKING:
    from lint.commands.known import Known
    from lint.commands.pool import Pool
    from lint.report.terminal import Drafts


def run(args: argparse.Namespace) -> int:
    """Examine every part named or found, render the report, and return its exit code. Raises BadInput for bad words."""
    only = chosen(args.rule)
    if args.to is not None:
        screen.refuse_as_report(args.to, "--to")
    else:
        screen.refuse_on_screen(args.form, "--to FILE")
    paths = find_parts(args.paths)
    if not paths:
        raise BadInput(f"no parts matched: {', '.join(path_text(p) for p in args.paths)} holds no file that is a part; nothing was judged")
    if args.ticket is not None and len(paths) > 1:
        raise BadInput(f"--ticket says what one part is, and {len(paths)} parts were given: put a ticket beside each instead")
    if args.scheduler is not None and (args.jobs is not None or args.memory is not None):
        raise BadInput("--jobs and --memory are for this machine; with --scheduler the workers say how much they take")
    shelf, idle = paths, ""
    if args.changed_since is not None:
        start = args.paths[0]
        paths = changed_since(paths, args.changed_since, start if start.is_dir() else start.absolute().parent)
        idle = f"no part changed since {args.changed_since}"
    drawn = pictures_wanted(args, paths)
    if drawn and args.scheduler is not None:
        raise BadInput("pictures are drawn on this machine: leave out --scheduler, or --pictures, --sketch and --as page or png")
    run = Run(Facts(args.ticket, args.facts), only, tuple(shelf), drawn=drawn)
    with unswept(), folders_stay():  # over all of it: each time the search begins again it looks through everything
        if drawn or idle:
            return _judge(args, paths, run, idle)
        return _tell(args, paths, run)


def _judge(args: argparse.Namespace, paths: list[Path], run: Run, idle: str) -> int:
    """Judge the parts and render the report, pictures and all."""
    from lint.commands.looking import look

    report = _report(look(paths, run, _how(args)), args, idle)
    if args.form == "png":
        return write_card(report, args.to)
    _show(render(report, args.form, beside(report, args.to) if args.pictures else {}), args)
    return report.exit_code()


def _tell(args: argparse.Namespace, paths: list[Path], run: Run) -> int:
    """The report as an earlier run gave it, if nothing has changed, and else put together."""
    how, store, on_disk = _how(args), open_store(), OnDisk(run.keys(), run.facts_of)
    whole = Whole(store, on_disk, paths, _words(args)) if store is not None else None
    with contextlib.ExitStack() as ends:
        pools: list[Pool] = []

        def pool() -> Pool:
            from lint.commands.looking import pool_of

            if not pools:
                pools.append(ends.enter_context(pool_of(how)))
            return pools[0]

        def doubted() -> None:
            """Begin a process at once for what seems to have changed."""
            if how.apart(len(paths)):
                pool().man(1)

        told = whole.told(doubted) if whole is not None and not how.fresh else None
        if told is None:
            told = _put_together(args, paths, run, pool(), on_disk, whole)
    _show(told.text, args)
    return told.exit_code


def _put_together(args: argparse.Namespace, paths: list[Path], run: Run, pool: Pool, on_disk: OnDisk, whole: Whole | None) -> Told:
    """The report from what is known of single parts and from what is found anew; kept for the next run."""
    from lint.commands.looking import known_of, look_with

    known = known_of(run, open_store(), on_disk)
    drafts = _drafts() if args.form == "terminal" else None

    def drafted(parts: list[PartReport]) -> None:
        """Write what is said of the parts that stand, while others are examined."""
        if drafts is not None:
            key, texts = whole.texts(known.sure) if whole is not None and known is not None else ("", {})
            for part in parts:
                if part.path in texts:
                    drafts.take(part, key, texts[part.path])
            drafts.write(parts)

    report = _report(look_with(pool, known, paths, run, _how(args), drafted), args)
    told = Told(render(report, args.form, drafts=drafts), report.exit_code())
    if whole is not None and known is not None and all(path in known.sure for path in paths):
        _keep(whole, known, report, told, args.form, drafts)
    return told


def _keep(whole: Whole, known: Known, report: Report, told: Told, form: str, drafts: Drafts | None) -> None:
    """Keep the report as the next run would tell it: everything in it from an earlier run."""
    stored = sum(part.stored for part in report.parts)
    if stored < len(report.parts):
        if stored > len(report.parts) // 2:
            return  # most of it is kept already, and to write it twice would take longer than this run did
        report = replace(report, parts=tuple(replace(part, stored=True) for part in report.parts))
        drafts = _drafts() if drafts is not None else None
        told = Told(render(report, form, drafts=drafts), told.exit_code)
    key, texts = drafts.written(report.parts) if drafts is not None else ("", {})
    whole.keep(known.sure, told, key, texts)


def _report(parts: list[PartReport], args: argparse.Namespace, idle: str = "") -> Report:
    return Report(tuple(parts), EDITION, __version__, Weight[args.line.upper()], idle=idle)


def _how(args: argparse.Namespace) -> How:
    return How(args.jobs, args.deadline, args.memory, args.fresh, args.scheduler)


def _words(args: argparse.Namespace) -> dict[str, Any]:
    """What a report is written by, besides what it says."""
    return {"form": args.form, "line": args.line, "width": screen.width(), "colour": screen.colour()}


def _show(text: str, args: argparse.Namespace) -> None:
    if args.to is None:
        screen.put(text, machine=args.form != "terminal")
    else:
        screen.write(args.to, text)


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


def render(report: Report, form: str, pictures: Mapping[Path, str] = MappingProxyType({}), drafts: Drafts | None = None) -> str:
    """The report in the form asked for. pictures: those that stand beside it, by part; drafts: what is written of it already."""
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

        return page.render(report, rooms(), fixes_at_hand())
    from lint.report.terminal import render_drafted

    return render_drafted(report, drafts or _drafts())


def _drafts() -> Drafts:
    from lint.report.terminal import Drafts

    listed = listing_of(open_store())
    return Drafts(listed.rules, listed.fixes, width=screen.width(), colour=screen.colour())


def chosen(numbers: Iterable[int] | None) -> frozenset[int] | None:
    """The rules asked for, or None for all. Raises BadInput for a number that is no rule."""
    if not numbers:
        return None
    rules = rooms()
    for number in numbers:
        if number not in rules:
            raise BadInput(f"--rule {number}: there is no such rule; `buckwright rules` lists them")
    return frozenset(numbers)
