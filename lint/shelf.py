"""The other parts of a run, for rules that compare parts: read when asked for, measured once, then let go.

A rule that takes `shelf` as a parameter asks `shelf.others(part)` for the files beside it, `shelf.measured(path, name)` for
one measurement of another part, `shelf.gathered(name, build)` for what can be made of one measurement of all of them, and
`shelf.pair_of(part)` for the part its ticket names as its pair.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any, TypeVar

from lint.measure import Survey
from lint.terms import BadInput, NotRun, Part

Built = TypeVar("Built")


class Shelf:
    """Every part file of one run. Only the values asked for are kept, never a mesh: a shelf may hold a thousand parts.

    read: how a part is loaded, with its ticket and shop file; raises BadInput.
    known: measurements taken already, or why they could not be, by part and name.
    """

    def __init__(self, paths: Iterable[Path], read: Callable[[Path], Part], known: Mapping[tuple[Path, str], Any] | None = None) -> None:
        self.paths = tuple(paths)
        self._read = read
        known = known or {}
        self._values = {key: value for key, value in known.items() if not isinstance(value, NotRun)}
        self._failures = {key: value for key, value in known.items() if isinstance(value, NotRun)}
        self._gathered: dict[tuple[str, Any], Any] = {}

    def others(self, part: Part) -> tuple[Path, ...]:
        """The other files of the run, in its order. Raises NotRun when there are none to compare with."""
        self.require_others(part)
        here = part.source.path
        return tuple(p for p in self.paths if p != here)

    def require_others(self, part: Part) -> None:
        """Raise NotRun when there are no other files in the run."""
        if self.paths in ((), (part.source.path,)):
            raise NotRun("it compares parts, and only one was given")

    def measured(self, path: Path, name: str) -> Any:
        """The measurement `name` of another part. Raises NotRun when that part cannot be read or measured."""
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

    def gathered(self, name: str, build: Callable[[Mapping[Path, Any]], Built]) -> Built:
        """What `build` makes of the measurement `name` of every part that has one: made once, kept for all parts judged after."""
        if (name, build) not in self._gathered:
            values = {}
            for path in self.paths:
                with suppress(NotRun):  # why it could not be measured is said of that part itself, when it is judged
                    values[path] = self.measured(path, name)
            self._gathered[name, build] = build(values)
        built: Built = self._gathered[name, build]
        return built

    def part(self, path: Path) -> Part:
        """Another part, read anew. Raises NotRun when it cannot be read."""
        try:
            return self._read(path)
        except BadInput as error:
            raise NotRun(f"{path.name} could not be read to compare with: {error}") from error

    def pair_of(self, part: Part) -> Part:
        """The part that the ticket names as the pair, looked for beside the part. Raises NotRun when it cannot be had."""
        name = part.ticket.part.pair
        if name is None:
            raise NotRun("the ticket names no pair")
        path = part.source.path.parent / name
        try:
            return self._read(path)
        except BadInput as error:
            raise NotRun(f"the pair {name} could not be read: {error}") from error
