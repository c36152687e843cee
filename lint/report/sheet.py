"""A sheet of plain lines for a terminal: a word in the margin, the text beside it, wrapped to the width.

Weight is carried by the word and by how heavy it is set (reversed, bold, plain), never by colour alone, so it reads the same in
print, on any background and to any eye.
"""

from __future__ import annotations

import io

from lint.report.plain import shown

MARGIN = 13
STYLES = {"stop": "bold reverse", "caution": "bold", "note": "", "broke": "bold reverse", "not judged": "bold reverse"}


class Sheet:
    """Collects lines and gives them back as text; `colour` asks for the terminal's bold, dim and reversed letters."""

    def __init__(self, width: int = 80, colour: bool = False) -> None:
        from rich.console import Console

        self._file = io.StringIO()
        self._colour = colour
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
        self._put("", "", indent, text, style)

    def entry(self, word: str, text: str, style: str = "") -> None:
        """A paragraph beside a word in the margin; a word too long for it has a line of its own."""
        style_of_word = STYLES.get(word, "dim")
        if len(word) > MARGIN - 3:
            self.line(word, style_of_word, 2)
            self.more(text, style)
        else:
            self._put(word, style_of_word, MARGIN, text, style)

    def more(self, text: str, style: str = "") -> None:
        """A further paragraph of the last entry."""
        self._put("", "", MARGIN, text, style)

    def drawing(self, text: str, columns: int) -> None:
        """Lines of colour codes of our own making, so many columns wide; left out where there is no colour or no room."""
        if self._colour and self._console.width >= columns:
            self._file.write(text)

    def text(self) -> str:
        """Everything so far; no line ends in blanks."""
        return "".join(f"{line.rstrip()}\n" for line in self._file.getvalue().splitlines())

    def _put(self, word: str, style_of_word: str, indent: int, text: str, style: str) -> None:
        from rich.text import Text

        lead = len(text) - len(text.lstrip(" "))
        body = Text(shown(text.lstrip(" ")), style=style)
        lines = body.wrap(self._console, self._console.width - indent - lead, overflow="fold") if text else [body]
        for row, line in enumerate(lines):
            line.rstrip()
            margin = Text(" " * indent)
            if word and row == 0:
                margin = Text.assemble("  ", (shown(word), style_of_word), " " * (indent - 2 - len(word)))
            self._console.print(Text.assemble(margin, " " * lead, line), soft_wrap=True)
