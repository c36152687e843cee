"""buckwright lint: judge parts and say what would go wrong, before anything is printed."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType

from lint import __version__
from lint.changed import changed_since
from lint.commands import screen
from lint.commands.judging import Run
from lint.commands.known import told, unswept
from lint.commands.looking import How, look
from lint.commands.shelves import Facts, find_parts
from lint.report.plain import path_text
from lint.rooms import all_rules, fixes_at_hand, rooms
from lint.settings import EDITION
from lint.store import open_store
from lint.terms import BadInput, Report, Weight


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
    with unswept():  # over all of it: each time the search begins again it looks through everything
        reports = look(paths, run, How(args.jobs, args.deadline, args.memory, args.fresh, args.scheduler))
        report = Report(tuple(reports), EDITION, __version__, Weight[args.line.upper()], idle=idle)
        if args.form == "png":
            return write_card(report, args.to)
        text = render(report, args.form, beside(report, args.to) if args.pictures else {})
        if args.to is None:
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

        return page.render(report, rooms(), fixes_at_hand())
    from lint.report import terminal

    said = told(open_store())
    return terminal.render(report, said.rules, said.fixes, width=screen.width(), colour=screen.colour())


def chosen(numbers: Iterable[int] | None) -> frozenset[int] | None:
    """The rules asked for, or None for all. Raises BadInput for a number that is no rule."""
    if not numbers:
        return None
    rules = rooms()
    for number in numbers:
        if number not in rules:
            raise BadInput(f"--rule {number}: there is no such rule; `buckwright rules` lists them")
    return frozenset(numbers)
