"""Where words go: the report to standard output or a file, everything else to standard error."""

from __future__ import annotations

import io
import os
import shutil
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType

from lint.report.plain import path_text, shown
from lint.terms import BadInput


def width() -> int:
    """Columns to fill: the terminal's, or 80 when the output is not one."""
    return min(shutil.get_terminal_size((80, 24)).columns, 120) if sys.stdout.isatty() else 80


def colour() -> bool:
    """Whether bold and reversed letters are welcome: on a terminal that can, unless NO_COLOR is set."""
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR") and os.environ.get("TERM") != "dumb"


def blocks() -> bool:
    """Whether standard output can carry the half-filled letters of a sketch."""
    try:
        "\u2580".encode(sys.stdout.encoding or "ascii")
    except (UnicodeEncodeError, LookupError):
        return False
    return True


def put(text: str, *, machine: bool = False) -> None:
    """Write to standard output. machine: the text is for a program, and so is UTF-8 whatever the terminal speaks."""
    if machine and isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(encoding="utf-8", errors="strict")
    sys.stdout.write(text)
    sys.stdout.flush()


def refuse_on_screen(form: str, instead: str) -> None:
    """Raise BadInput for a form that is a file to open in a browser, when standard output is a terminal."""
    if form == "page" and sys.stdout.isatty():
        raise BadInput(f"--as page makes a file to open in a browser: say where it goes with {instead}, such as report.html")


def write(path: Path, text: str | bytes) -> None:
    """Write a report to a file by swapping in a whole one. Raises BadInput where a part or a ticket stands, or on no room."""
    from lint.save.atomic import swap_in

    refuse_as_report(path, "--to")
    swap_in(path, text.encode("utf-8") if isinstance(text, str) else text)


def refuse_as_picture(path: Path, flag: str, *, inputs: Sequence[Path] = ()) -> None:
    """Raise BadInput, before any work is done, for a name that no picture can be written to."""
    if path.suffix.lower() != ".png":
        raise BadInput(f"{path}: a picture is written as .png: give {flag} a name with that ending")
    refuse_as_report(path, flag, inputs=inputs)


def refuse_as_report(path: Path, flag: str, *, inputs: Sequence[Path] = ()) -> None:
    """Raise BadInput, before any work is done, for a name that no report can be written to."""
    from lint.load import SUFFIXES

    if path.suffix.lower() in SUFFIXES or path.name.endswith(".toml"):
        raise BadInput(f"{path}: a report is not written over a part or a ticket: give {flag} another name")
    if path.is_dir():
        raise BadInput(f"{path}: this is a folder: give {flag} the name of a file")
    if not path.absolute().parent.is_dir():
        raise BadInput(f"{path}: there is no folder {path.parent}: make it first, or give {flag} another place")
    if path.exists() and any(other.exists() and path.samefile(other) for other in inputs):
        raise BadInput(f"{path}: this is a file that is read, and it is never written over: give {flag} another name")


def told(text: str) -> None:
    """One line on standard error."""
    print(f"buckwright: {shown(text)}", file=sys.stderr)


class Progress:
    """What is being done and for how long, on standard error, once it has taken a second; silent when that is no terminal.

    Use as a context; call it with each new step.
    """

    def __init__(self, text: str = "") -> None:
        self._text = text
        self._began = time.monotonic()
        self._over = threading.Event()
        self._thread: threading.Thread | None = None
        self._lit = False

    def __call__(self, text: str) -> None:
        """Begin a new step."""
        self._text, self._began = text, time.monotonic()

    def __enter__(self) -> Progress:
        if sys.stderr.isatty():
            self._thread = threading.Thread(target=self._tell, daemon=True)
            self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._over.set()
        if self._thread is not None:
            self._thread.join()
            self._clear()

    def _tell(self) -> None:
        while not self._over.wait(0.5):
            seconds = time.monotonic() - self._began
            self._clear()
            if seconds >= 1:
                columns = shutil.get_terminal_size((80, 24)).columns
                sys.stderr.write(f"{shown(self._text)}, {seconds:.0f} s"[: columns - 1])
                sys.stderr.flush()
                self._lit = True

    def _clear(self) -> None:
        if self._lit:
            sys.stderr.write("\r" + " " * (shutil.get_terminal_size((80, 24)).columns - 1) + "\r")
            sys.stderr.flush()
            self._lit = False


def doing(path: Path, step: str) -> str:
    """The progress line of a step on a part."""
    return f"{path_text(path)}: {step}"
