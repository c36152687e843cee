"""A sheet of plain lines for a terminal: a word in the margin, the text beside it, wrapped to the width.

Weight is carried by the word and by how heavy it is set (reversed, bold, plain), never by colour alone, so it reads the same in
print, on any background and to any eye.
"""

from __future__ import annotations

import io
from typing import Any

from lint.report.plain import shown

MARGIN = 11
STYLES = {"stop": "bold reverse", "caution": "bold", "note": "", "broke": "bold reverse", "not judged": "bold reverse"}


class Sheet:
    """Collects lines and gives them back as text; `colour` asks for the terminal's bold, dim and reversed letters."""

    def __init__(self, width: int = 80, colour: bool = False) -> None:
        from rich.console import Console

        self._file = io.StringIO()
        self._console = Console(
            file=self._file,
            width=max(width, 40),
            force_terminal=colour,
            color_system="standard" if colour else None,
            no_color=True,
            markup=False,
            highlight=False,
            emoji=False,
            legacy_windows=False,
            _environ={},
        )

    def line(self, text: str = "", style: str = "", indent: int = 0) -> None:
        """One paragraph from `indent` on, wrapped."""
        self._put(self._text(text, style), indent)

    def entry(self, word: str, text: str, style: str = "") -> None:
        """A paragraph beside a word in the margin."""
        from rich.table import Table

        grid = Table.grid(padding=0)
        grid.add_column(width=2)
        grid.add_column(width=MARGIN - 2, no_wrap=True)
        grid.add_column(ratio=1)
        grid.expand = True
        grid.add_row("", self._text(word, STYLES.get(word, "dim")), self._text(text, style))
        self._print(grid)

    def more(self, text: str, style: str = "") -> None:
        """A further paragraph of the last entry."""
        self._put(self._text(text, style), MARGIN)

    def text(self) -> str:
        """Everything so far; no line ends in blanks."""
        return "".join(f"{line.rstrip()}\n" for line in self._file.getvalue().splitlines())

    def _text(self, text: str, style: str) -> Any:
        from rich.text import Text

        return Text(shown(text), style=style, overflow="fold")

    def _put(self, text: Any, indent: int) -> None:
        from rich.padding import Padding

        self._print(Padding(text, (0, 0, 0, indent)) if indent else text)

    def _print(self, thing: Any) -> None:
        self._console.print(thing)
