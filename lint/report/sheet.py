"""A sheet of plain lines for a terminal: a word in the margin, the text beside it, wrapped to the width.

Weight is carried by the word and by how heavy it is set (reversed, bold, plain), never by colour alone, so it reads the same in
print, on any background and to any eye.
"""

from __future__ import annotations

import re
from functools import cache
from typing import Any

from lint.report.plain import shown

MARGIN = 13
STYLES = {"stop": "bold reverse", "caution": "bold", "note": "", "broke": "bold reverse", "not judged": "bold reverse"}

_CODES = {"bold": "1", "dim": "2", "italic": "3", "underline": "4", "reverse": "7"}  # ECMA-48, select graphic rendition
_WORD = re.compile(r"\s*\S+\s*")


class Sheet:
    """Collects lines and gives them back as text; `colour` asks for the terminal's bold, dim and reversed letters."""

    def __init__(self, width: int = 80, colour: bool = False) -> None:
        self._width, self._colour = max(width, 40), colour
        self._lines: list[str] = []

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
        if self._colour and self._width >= columns:
            self._lines += text.splitlines()

    def text(self) -> str:
        """Everything so far; no line ends in blanks."""
        return "".join(f"{line.rstrip()}\n" for line in self._lines)

    def _put(self, word: str, style_of_word: str, indent: int, text: str, style: str) -> None:
        text = shown(text)
        if not word and not self._colour and len(text) + indent <= self._width and text.isascii():  # most lines of most reports
            self._lines.append(" " * indent + text)
            return
        bare = text.lstrip(" ")
        lead = len(text) - len(bare)
        margin = " " * (indent + lead)
        first = margin
        if word:
            first = f"  {self._dressed(shown(word), style_of_word)}{' ' * (indent - 2 - len(word) + lead)}"
        for line in wrapped(bare, self._width - indent - lead):
            self._lines.append(first + self._dressed(line, style))
            first = margin

    def _dressed(self, text: str, style: str) -> str:
        return f"{_dress(style)}{text}\x1b[0m" if self._colour and style and text else text


@cache
def _dress(style: str) -> str:
    return f"\x1b[{';'.join(sorted(_CODES[name] for name in style.split()))}m"


def wrapped(text: str, width: int) -> list[str]:
    """A text of one line in lines that take up `width` columns at most, broken between words; a word too long for a line is cut."""
    cells = len if text.isascii() else _cells()
    if cells(text) <= width:
        return [text.rstrip()]
    lines: list[str] = []
    if text.isascii():
        rest = text
        while len(rest) > width and (cut := rest.rfind(" ", 0, width + 1)) > 0:
            lines.append(rest[:cut].rstrip())
            rest = rest[cut:].lstrip(" ")
        if len(rest) <= width:
            return [*lines, rest.rstrip()]
        lines = []  # a word is too long
    line = ""
    for word in _WORD.findall(text):
        need = cells(word.rstrip())
        if cells(line) + need <= width:
            line += word
            continue
        if line:
            lines.append(line)
        line = word
        while need > width and cells(line) > width:
            size = next(n for n in range(min(len(line), width), 0, -1) if n == 1 or cells(line[:n]) <= width)
            lines.append(line[:size])
            line = line[size:]
    return [part.rstrip() for part in (*lines, line)]


@cache
def _cells() -> Any:
    """Columns that a text with letters of any script takes up: some take two, some none."""
    from rich.cells import cell_len

    return cell_len
