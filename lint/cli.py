"""The `buckwright` command: parse, call, choose the exit code. Everything heavy is imported by the command that needs it."""

from __future__ import annotations

import argparse
import datetime
import importlib
import io
import math
import os
import re
import signal
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from lint import __version__
from lint.terms import BadInput

EXITS = "exit: 0 nothing at or above the line; 1 something is; 2 the job could not be done"
REPORT = (
    "Your files are as they were. Please report it where you got buckwright, with the command you gave and, if you may show it, "
    "the part; BUCKWRIGHT_TRACE=1 before the command shows where it happened"
)
FORMS = ("terminal", "json", "sarif", "junit", "markdown", "page", "png")

# Options whose value may begin with a minus sign, which would otherwise be taken for another option.
_SIGNED = frozenset({"--pull", "--from", "--to-point"})
_TRIPLE = re.compile(r"-[\d.][^,]*,[^,]+,[^,]+")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code. Bad usage ends the program with 2, as argparse does."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    args = parser().parse_args(_joined(sys.argv[1:] if argv is None else argv))
    try:
        args.facts = {name: getattr(args, name) for name in _FACTS if getattr(args, name, None) is not None}
        code: int = importlib.import_module(f"lint.commands.{args.command}").run(args)
        return code
    except BadInput as error:
        _say(str(error))
        return 2
    except BrokenPipeError:
        # Whoever read the report has read enough; a later flush of what is left must not complain.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 2
    except KeyboardInterrupt:
        _say("stopped; nothing half-done was left behind")
        signal.signal(signal.SIGINT, signal.SIG_DFL)
        os.kill(os.getpid(), signal.SIGINT)  # so that the shell sees what ended it
        return 2
    except Exception as error:
        if os.environ.get("BUCKWRIGHT_TRACE") == "1":
            import traceback

            traceback.print_exc()
        _say(f"this is a bug of buckwright: {type(error).__name__}: {error}. {REPORT}")
        return 2


def _say(text: str) -> None:
    from lint.report.plain import shown

    print(f"buckwright: {shown(text)}", file=sys.stderr)


def _joined(argv: Sequence[str]) -> list[str]:
    """`--pull -1,0,0` as `--pull=-1,0,0`."""
    words: list[str] = []
    for word in argv:
        if words and words[-1] in _SIGNED and _TRIPLE.fullmatch(word):
            words[-1] += f"={word}"
        else:
            words.append(word)
    return words


def parser() -> argparse.ArgumentParser:
    """The whole command line."""
    top = argparse.ArgumentParser(
        prog="buckwright",
        description="Says what would go wrong with a sculpting buck before it is printed, and mends it without harming the skin.",
        epilog=EXITS,
        allow_abbrev=False,
    )
    top.add_argument("--version", action="version", version=f"buckwright {__version__}")
    commands = top.add_subparsers(dest="command", metavar="COMMAND", required=True)

    lint = _command(commands, "lint", "say what would go wrong with parts, before they are printed")
    lint.add_argument("paths", metavar="PATH", nargs="+", type=Path, help="part files, or folders to search for them")
    lint.add_argument("--as", dest="form", choices=FORMS, default="terminal", help="how to write the report (default: terminal)")
    lint.add_argument("--to", metavar="FILE", type=Path, help="write the report to a file")
    lint.add_argument("--pictures", action="store_true", help="with --as markdown and --to: a picture of each part with findings beside it")
    lint.add_argument("--sketch", action="store_true", help="on a colour terminal: a small drawing of each part with findings, too")
    lint.add_argument("--line", choices=("note", "caution", "stop"), default="stop",
                      help="weight from which on the exit code is 1 (default: stop)")  # fmt: skip
    lint.add_argument("--rule", metavar="N", type=int, action="append", help="only this rule; may be given more than once")
    lint.add_argument("--jobs", metavar="N", type=_count, help="parts examined at a time, or cores for one large part (default: all)")
    lint.add_argument("--deadline", metavar="SECONDS", type=_positive,
                      help="the longest a part may take before the run goes on without it (default: 600 for many parts)")  # fmt: skip
    lint.add_argument("--memory", metavar="GIB", type=_positive, help="the most memory a part may take, besides the program's own")
    lint.add_argument("--scheduler", metavar="ADDRESS", help="examine on a cluster of your own: the address of its dask scheduler")
    lint.add_argument("--fresh", action="store_true", help="examine every part anew, also one that is as it was in an earlier run")
    lint.add_argument("--changed-since", metavar="REV", help="only parts that differ, or whose ticket does, from this git revision")
    _facts(lint)

    fix = _command(commands, "fix", "mend a part and write it under another name; your file is never touched")
    fix.add_argument("path", metavar="PATH", type=Path, help="the part to mend")
    fix.add_argument("--to", metavar="OUT", type=Path, help="where the mended part goes: .3mf, .stl and others")
    fix.add_argument("--allow", choices=("record", "piece", "inside", "skin"),
                     help="how far a fix may reach (default: skin; record where CI is set)")  # fmt: skip
    fix.add_argument("--step", metavar="NAME", action="append", type=_step,
                     help="ask for a step, such as hollow, key or mark; may be given more than once")  # fmt: skip
    fix.add_argument("--from-record", metavar="RECORD", type=Path,
                     help="do over what a .record.json says, with its facts and no others: the same part, byte for byte")  # fmt: skip
    fix.add_argument("--plan", action="store_true", help="say what would be done, measured on a copy in memory, and write nothing")
    fix.add_argument("--picture", metavar="FILE", type=Path, help="draw the part before and after, and where its skin moved: a .png")
    fix.add_argument("--as", dest="form", choices=("terminal", "json", "page"), default="terminal", help="how to write the report")
    fix.add_argument("--report", metavar="FILE", type=Path, help="write the report to a file; --to is where the part goes")
    _facts(fix)

    rules = _command(commands, "rules", "list the rules, or show the page of one")
    rules.add_argument("number", metavar="N", nargs="?", type=int, help="the number of a rule")

    size = _command(commands, "size", "mark a length you know on a scan, in its ticket; or find a ball or bar of known size")
    size.add_argument("path", metavar="PATH", type=Path, help="the scan")
    size.add_argument("--from", dest="start", metavar="X,Y,Z", type=_triple,
                      help="one end, in the file's own numbers; with a ball or bar: near which spot")  # fmt: skip
    size.add_argument("--to-point", dest="end", metavar="X,Y,Z", type=_triple, help="the other end")
    size.add_argument("--true", metavar="MM", type=_positive, help="the true length between them, in mm")
    size.add_argument("--ball", metavar="MM", type=_positive, help="find a ball of this diameter beside the scanned part")
    size.add_argument("--bar", metavar="MM", type=_positive, help="find a straight bar or block of this length beside the scanned part")
    size.add_argument("--name", default="", help="what the length is called in the ticket")
    size.add_argument("--ticket", metavar="FILE", type=Path, help="the ticket to write in (default: the one beside the part)")

    ticket = _command(commands, "ticket", "print a ticket to fill in, with what the file already tells")
    ticket.add_argument("path", metavar="PATH", type=Path, help="the part")
    ticket.add_argument("--to", metavar="FILE", type=Path, help="write it to a new file instead")

    accept = _command(commands, "accept", "write findings you live with into the ledger, each with its reason")
    accept.add_argument("paths", metavar="PATH", nargs="+", type=Path, help="part files, or folders to search for them")
    accept.add_argument("--rule", metavar="N", type=int, action="append", help="findings of this rule; may be given more than once")
    accept.add_argument("--as-it-stands", action="store_true",
                        help="every finding there is today, to start on an old shelf; what comes later still counts")  # fmt: skip
    accept.add_argument("--because", metavar="REASON", required=True, help="why the shop lives with it")
    accept.add_argument("--until", metavar="DATE", type=_day, help="last day it is accepted, such as 2027-03-31")
    accept.add_argument("--jobs", metavar="N", type=_count, help="parts examined at a time (default: one for each core)")

    shelf = _command(commands, "shelf", "one table of a collection: what each part is, its size, print weight, findings, last change")
    shelf.add_argument("paths", metavar="PATH", nargs="+", type=Path, help="part files, or folders to search for them")
    shelf.add_argument("--as", dest="form", choices=("terminal", "markdown", "csv", "page"), default="terminal",
                       help="how to write the table (default: terminal)")  # fmt: skip
    shelf.add_argument("--to", metavar="FILE", type=Path, help="write the table to a file")
    shelf.add_argument("--jobs", metavar="N", type=_count, help="parts examined at a time (default: one for each core)")

    page = _command(commands, "page", "open the local page in a browser: from a scan to a printable part, step by step")
    page.add_argument("path", metavar="PATH", nargs="?", type=Path, help="the scan to begin with; or drop one on the page")
    page.add_argument("--no-browser", action="store_true", help="only print the address")
    page.add_argument("--deadline", metavar="SECONDS", type=_positive, help="the longest a piece of work may take (default: 1800)")
    page.add_argument("--memory", metavar="GIB", type=_positive, help="the most memory a page may take (default: half of the machine's)")

    schema = _command(commands, "schema", "print the JSON Schema of a ticket, a shop file or a ledger")
    schema.add_argument("what", choices=("ticket", "shop", "ledger"))
    return top


def _command(commands: argparse._SubParsersAction[argparse.ArgumentParser], name: str, does: str) -> argparse.ArgumentParser:
    return commands.add_parser(name, help=does, description=does[0].upper() + does[1:] + ".", epilog=EXITS, allow_abbrev=False)


_FACTS = ("process", "nozzle", "layer", "bed", "units", "mould", "pull", "wall", "margin", "base", "corner", "clay")


def _facts(command: argparse.ArgumentParser) -> None:
    group = command.add_argument_group("facts about the part, said here instead of in its ticket (lengths in mm)")
    group.add_argument("--ticket", metavar="FILE", type=Path, help="the ticket to go by, instead of the one beside the part")
    group.add_argument("--units", choices=("micron", "mm", "cm", "m", "in", "ft"), help="what the numbers of the file are")
    group.add_argument("--process", choices=("extrusion", "resin"), help="how it will be printed")
    group.add_argument("--nozzle", metavar="MM", type=_positive, help="width of the nozzle")
    group.add_argument("--layer", metavar="MM", type=_positive, help="height of a layer")
    group.add_argument("--bed", metavar="X,Y,Z", type=_box, help="room in the printer")
    group.add_argument("--mould", choices=("rigid", "flexible"), help="what the mould will be")
    group.add_argument("--pull", metavar="X,Y,Z", type=_direction, help="the way the mould comes off")
    group.add_argument("--wall", metavar="MM", type=_positive, help="wall of a hollow buck")
    group.add_argument("--margin", metavar="MM", type=_not_negative, help="flat land around the feature")
    group.add_argument("--base", metavar="MM", type=_positive, help="height of the base")
    group.add_argument("--corner", metavar="MM", type=_not_negative, help="rounding of the base's corners")
    group.add_argument("--clay", metavar="MM", type=_positive, help="thickness of the clay")


def _checked(name: str, test: Callable[[float], bool], wanted: str) -> Callable[[str], float]:
    def read(text: str) -> float:
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if not math.isfinite(value) or not test(value):
            raise argparse.ArgumentTypeError(f"{text!r} is not {wanted}")
        return value

    read.__name__ = name
    return read


_positive = _checked("number", lambda v: v > 0, "a number above 0")
_not_negative = _checked("number", lambda v: v >= 0, "a number of 0 or more")


def _triple(text: str) -> tuple[float, float, float]:
    try:
        x, y, z = (float(word) for word in text.split(","))
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not three numbers with commas between, such as 10,0,-2.5") from None
    if not all(map(math.isfinite, (x, y, z))):
        raise argparse.ArgumentTypeError(f"{text!r} holds something that is not a finite number")
    return (x, y, z)


def _box(text: str) -> tuple[float, float, float]:
    triple = _triple(text)
    if min(triple) <= 0:
        raise argparse.ArgumentTypeError(f"{text!r}: a bed is larger than 0 each way")
    return triple


def _direction(text: str) -> tuple[float, float, float]:
    triple = _triple(text)
    if not any(triple):
        raise argparse.ArgumentTypeError(f"{text!r} points nowhere")
    return triple


def _day(text: str) -> datetime.date:
    try:
        return datetime.date.fromisoformat(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is no day; write one as 2027-03-31") from None


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r} is not a whole number of 1 or more")
    return int(text)


def _step(text: str) -> str:
    from typing import get_args

    from lint.ticket import Step

    if text not in get_args(Step):
        raise argparse.ArgumentTypeError(f"{text!r} is no step; there are: {', '.join(get_args(Step))}")
    return text


if __name__ == "__main__":
    sys.exit(main())
