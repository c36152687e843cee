"""The other parts of a run, for rules that compare parts: read when asked for, measured once, then let go.

A rule that takes `shelf` as a parameter asks `shelf.picked(question, path, value)` for what concerns it among all parts,
`shelf.part(path)` for another part and `shelf.pair_of(part)` for the part its ticket names as its pair. What it asked is noted, so
that its verdict can be kept for as long as the same would be answered.
"""

from __future__ import annotations

import dataclasses
import hashlib
import os
from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from lint.measure import Survey
from lint.terms import BadInput, NotRun, Part, Pick


@dataclass
class Asked:
    """What the rules of one part asked of the shelf.

    others: whether there were other parts, where that was asked; answers: the digest of the answer to each question, by its
    name; read: the parts that were read besides. open: something was asked that cannot be looked up again in this form.
    """

    others: bool | None = None
    answers: dict[str, str] = field(default_factory=dict)
    read: list[Path] = field(default_factory=list)
    open: bool = False


class Shelf:
    """Every part file of one run. Only the values asked for are kept, never a mesh: a shelf may hold a thousand parts.

    read: how a part is loaded, with its ticket and shop file; raises BadInput.
    known: measurements taken already, or why they could not be, by part and name.
    asked: what has been asked since it was last set anew, which is for whoever judges the parts to do.
    """

    def __init__(self, paths: Iterable[Path], read: Callable[[Path], Part], known: Mapping[tuple[Path, str], Any] | None = None) -> None:
        self.paths = tuple(paths)
        self.asked = Asked()
        self._read = read
        known = known or {}
        self._values = {key: value for key, value in known.items() if not isinstance(value, NotRun)}
        self._failures = {key: value for key, value in known.items() if isinstance(value, NotRun)}
        self._gathered: dict[tuple[str, Any], Any] = {}

    def has_others(self, path: Path) -> bool:
        """Whether there are other files in the run."""
        return self.paths not in ((), (path,))

    def require_others(self, part: Part) -> None:
        """Raise NotRun when there are no other files in the run."""
        self.asked.others = self.has_others(part.source.path)
        if not self.asked.others:
            raise NotRun("it compares parts, and only one was given")

    def measured(self, path: Path, name: str) -> Any:
        """The measurement `name` of another part. Raises NotRun when that part cannot be read or measured."""
        self.asked.open = True
        return self._measured(path, name)

    def _measured(self, path: Path, name: str) -> Any:
        key = (path, name)
        if key in self._failures:
            raise self._failures[key]
        if key not in self._values:
            try:
                self._values[key] = Survey(self._read(path)).get(name)
            except BadInput as error:
                self._failures[key] = NotRun(f"{path.name} could not be read to compare with: {error}")
                raise self._failures[key] from error
            except NotRun as reason:
                self._failures[key] = reason
                raise
            except Exception as error:  # a crash is ours, and is told of that part itself: the others go on without it
                self._failures[key] = NotRun(f"{path.name} could not be measured to compare with: {type(error).__name__}: {error}")
                raise self._failures[key] from error
        return self._values[key]

    def picked(self, question: Pick, path: Path, value: Any) -> Any:
        """The answer to a question for the part at `path`, whose measurement is `value`. The index is made once for all parts."""
        answer = self.answer(question, path, value)
        self.asked.answers[question.name] = digest_of(answer)
        return answer

    def known(self, path: Path, name: str) -> Any:
        """The measurement `name` of a part, or NotRun, where it is known already; else None."""
        return self._values.get((path, name), self._failures.get((path, name)))

    def told(self, question: Pick, path: Path, value: Any) -> str:
        """The digest of what `picked` would answer."""
        return digest_of(self.answer(question, path, value))

    def answer(self, question: Pick, path: Path, value: Any) -> Any:
        """As `picked`, without a note that it was asked."""
        key = (question.measurement, question.build)
        if key not in self._gathered:
            values = {}
            for other in self.paths:
                with suppress(NotRun):  # why it could not be measured is said of that part itself, when it is judged
                    values[other] = self._measured(other, question.measurement)
            self._gathered[key] = question.build(values)
        return question.pick(self._gathered[key], path, value)

    def part(self, path: Path) -> Part:
        """Another part, read anew. Raises NotRun when it cannot be read."""
        self.asked.read.append(path)
        try:
            return self._read(path)
        except BadInput as error:
            self.asked.open = True
            raise NotRun(f"{path.name} could not be read to compare with: {error}") from error

    def pair_of(self, part: Part) -> Part:
        """The part that the ticket names as the pair, looked for beside the part. Raises NotRun when it cannot be had."""
        name = part.ticket.part.pair
        if name is None:
            raise NotRun("the ticket names no pair")
        path = part.source.path.parent / name
        self.asked.read.append(path)
        try:
            return self._read(path)
        except BadInput as error:
            self.asked.open = True
            raise NotRun(f"the pair {name} could not be read: {error}") from error


def digest_of(answer: Any) -> str:
    """The SHA-256 of a plain answer: equal for equal ones, to the last bit of every number. Raises TypeError for what is not plain."""
    told = hashlib.sha256()
    _tell(answer, told.update)
    return told.hexdigest()


def _tell(value: Any, update: Callable[[bytes], None]) -> None:
    if isinstance(value, np.ndarray):
        update(f"array {value.dtype.str} {value.shape} ".encode() + np.ascontiguousarray(value).tobytes())
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        update(f"{type(value).__qualname__} ".encode())
        _tell([getattr(value, f.name) for f in dataclasses.fields(value)], update)
    elif isinstance(value, list | tuple):
        update(f"{len(value)} of ".encode())
        for item in value:
            _tell(item, update)
    elif isinstance(value, Path):  # also the file it leads to, if it is a link
        update(b"path " + os.fsencode(value) + b"\0" + os.fsencode(os.path.realpath(value)) + b"\0")
    elif value is None or isinstance(value, str | bool | int | float | np.generic):
        said = repr(value.item() if isinstance(value, np.generic) else value).encode("utf-8", "surrogateescape")
        update(f"{type(value).__name__} {len(said)} ".encode() + said)
    else:
        raise TypeError(f"{type(value).__name__} is no plain answer")
