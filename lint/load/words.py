"""Text meshes word by word, in whole columns: the lines of OBJ, OFF, PLY and STL text as numpy arrays.

A text is cut into bites of some megabytes at line ends, so that a large file needs no more memory than its numbers.
Within a bite every word is a start and an end in the bytes. Numbers are parsed many at once by numpy's own C parser
(about ten million a second); a word that is no number is then looked for one by one, to name its line.
"""

from __future__ import annotations

import re
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lint.load.raw import Fault, shown
from lint.terms import BoolArray, FloatArray, IntArray

BITE = 4 << 20
_SPACE = np.zeros(256, dtype=bool)
_SPACE[[9, 10, 11, 12, 13, 32]] = True
_FLOAT = re.compile(rb"[+-]?(?:\d+\.?\d*(?:e[+-]?\d+)?|\.\d+(?:e[+-]?\d+)?|nan|inf(?:inity)?)", re.IGNORECASE)
_INT = re.compile(rb"[+-]?\d+")


@dataclass(frozen=True)
class Rows:
    """Lines that hold at least one word. first, count, line: (k,) the first word, the number of words, the line number."""

    letters: NDArray[np.uint8]
    start: IntArray
    end: IntArray
    first: IntArray
    count: IntArray
    line: IntArray

    def __len__(self) -> int:
        return len(self.first)

    def pick(self, which: BoolArray | IntArray | slice) -> Rows:
        """Some of the rows."""
        return Rows(self.letters, self.start, self.end, self.first[which], self.count[which], self.line[which])

    def keys(self, *, lower: bool = False) -> NDArray[np.uint64]:
        """The first word of each row as a number to compare with `key`: its bytes, or 0 when it is longer than 8."""
        start, length = self.start[self.first], self.end[self.first] - self.start[self.first]
        at = start[:, None] + np.arange(8)
        head = self.letters[np.minimum(at, len(self.letters) - 1)]
        head[np.arange(8) >= length[:, None]] = 0
        if lower:
            head[(head >= 65) & (head <= 90)] += 32
        packed: NDArray[np.uint64] = np.ascontiguousarray(head).view("<u8")[:, 0]
        packed[length > 8] = 0
        return packed

    def columns(self, first: int, count: int) -> IntArray:
        """Word numbers of `count` columns from column `first`, (k * count,). Every row must have that many words."""
        return (self.first[:, None] + np.arange(first, first + count)).ravel()

    def rest(self, first: int, size: IntArray) -> IntArray:
        """Word numbers of `size[i]` words from column `first` of row i, row after row."""
        before = np.cumsum(size) - size
        return np.repeat(self.first + first - before, size) + np.arange(int(size.sum()))

    def floats(self, words: IntArray) -> FloatArray:
        """The words as float64; nan and inf are numbers here. Raises Fault naming the line of a word that is none."""
        found: FloatArray = self._numbers(words, self.end[words], np.float64, _FLOAT, "a number")
        return found

    def ints(self, words: IntArray, end: IntArray | None = None) -> IntArray:
        """The words as int64, each up to `end` (default: the whole word). Raises Fault naming the line of one that is none."""
        stop = self.end[words] if end is None else end
        found: IntArray = self._numbers(words, stop, np.int64, _INT, "a whole number")
        return found

    def _numbers(self, words: IntArray, end: IntArray, kind: Any, pattern: re.Pattern[bytes], wanted: str) -> NDArray[Any]:
        if not len(words):
            return np.zeros(0, dtype=kind)
        start = self.start[words]
        size = end - start + 1
        before = np.cumsum(size) - size
        at = np.repeat(start - before, size) + np.arange(int(size.sum()))
        text = self.letters[np.minimum(at, len(self.letters) - 1)]
        text[before + size - 1] = 44
        found = parsed(text[:-1].tobytes(), kind)
        if found is not None and len(found) == len(words):
            return found
        for word, s, e in zip(words, start, end, strict=True):
            raw = self.letters[s:e].tobytes()
            if not pattern.fullmatch(raw):
                raise Fault(f"line {self.line_of(int(word))}: {shown(raw)} is not {wanted}")
        raise Fault(f"near line {self.line_of(int(words[0]))}: the numbers cannot be told apart")

    def line_of(self, word: int) -> int:
        """The line number of a word."""
        return int(self.line[max(int(np.searchsorted(self.first, word, side="right")) - 1, 0)])

    def text(self, row: int) -> bytes:
        """A whole row, as it stands, without the blanks around it."""
        last = self.first[row] + self.count[row] - 1
        return self.letters[self.start[self.first[row]] : self.end[last]].tobytes()

    def after(self, row: int, column: int = 1) -> bytes:
        """A row from one column on; empty when it has no such column."""
        if self.count[row] <= column:
            return b""
        last = self.first[row] + self.count[row] - 1
        return self.letters[self.start[self.first[row] + column] : self.end[last]].tobytes()


def parsed(text: bytes, kind: Any) -> NDArray[Any] | None:
    """Numbers between commas, or None where one cannot be parsed. Whole numbers too large to hold become the largest."""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            return np.fromstring(text, dtype=kind, sep=",")
        except (DeprecationWarning, ValueError, OverflowError):
            return None


def key(word: bytes) -> np.uint64:
    """A word of at most 8 bytes as `Rows.keys` gives it."""
    return np.uint64(int.from_bytes(word.ljust(8, b"\0"), "little"))


def plain_text(data: bytes) -> bytes:
    """The text ready for reading by lines: no byte order mark, and lines that end in a newline.

    Raises Fault for UTF-16 and UTF-32, which some editors write.
    """
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise Fault("its text is UTF-16; save it as plain text (UTF-8)")
    if data.startswith(b"\xef\xbb\xbf"):
        data = data[3:]
    if b"\r" in data and b"\n" not in data:
        data = data.replace(b"\r", b"\n")
    return data


def rows_of(data: bytes, start: int = 0, line: int = 1, *, remark: bytes = b"") -> Iterator[Rows]:
    """The rows of a text from byte `start` on, in bites; `line` is the number of the line that begins there.

    remark: a character that begins a remark to the end of its line; remarks are left out.
    """
    while start < len(data):
        stop = data.find(b"\n", min(start + BITE, len(data)))
        stop = len(data) if stop < 0 else stop + 1
        piece = data[start:stop]
        if remark and remark in piece:
            piece = re.sub(re.escape(remark) + rb"[^\n]*", _blank, piece)
        yield _rows(np.frombuffer(piece, dtype=np.uint8), line)
        line += data.count(b"\n", start, stop)
        start = stop


def _blank(match: re.Match[bytes]) -> bytes:
    return b" " * (match.end() - match.start())


def _rows(piece: NDArray[np.uint8], line: int) -> Rows:
    word = ~_SPACE[piece]
    edge = np.flatnonzero(np.diff(np.concatenate(([False], word, [False])).view(np.int8)))
    start, end = edge[::2], edge[1::2]
    row = np.searchsorted(np.flatnonzero(piece == 10), start)
    new = np.ones(len(start), dtype=bool)
    new[1:] = row[1:] != row[:-1]
    first = np.flatnonzero(new)
    count = np.diff(np.append(first, len(start)))
    return Rows(piece, start, end, first, count, row[first] + line)


class Reader:
    """Rows taken in order, so many at a time: for formats whose header says how many lines follow."""

    def __init__(self, bites: Iterator[Rows]) -> None:
        self._bites = bites
        self._rows: Rows | None = None
        self.line = 0

    def take(self, count: int, what: str) -> Iterator[Rows]:
        """The next `count` rows, in one or more bites. Raises Fault when the text ends before."""
        wanted = count
        while wanted > 0:
            if self._rows is None or not len(self._rows):
                self._rows = next(self._bites, None)
                if self._rows is None:
                    raise Fault(f"it counts {count:,} {what} but ends after {count - wanted:,} of them: cut off, or its count is wrong")
                continue
            here = self._rows.pick(slice(0, wanted))
            self._rows = self._rows.pick(slice(wanted, None))
            wanted -= len(here)
            self.line = int(here.line[-1])
            yield here

    def done(self) -> None:
        """Raise Fault when rows are left over: the file holds more than it counts."""
        while self._rows is None or not len(self._rows):
            self._rows = next(self._bites, None)
            if self._rows is None:
                return
        raise Fault(f"line {int(self._rows.line[0])}: there is more after the last face that the file counts: its count is wrong")
