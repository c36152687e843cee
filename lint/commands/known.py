"""Which results of earlier runs still stand: everything that a verdict depends on is in its key, or is asked again.

What a file refers to beside it is looked at again. What the rules that compare parts said stands when the shelf would answer them the
same and every part they read is unchanged. The ledger and today's date are heard afterwards, on every run.
"""

from __future__ import annotations

import contextlib
import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lint.commands import kept
from lint.commands.keys import OnDisk, Read, Sure
from lint.commands.listing import listing_of
from lint.commands.sweeping import unswept
from lint.load.doors import same_beside
from lint.rooms import rooms
from lint.shelf import Asked, Shelf
from lint.store import Store
from lint.terms import NotRun, PartReport


@dataclass(frozen=True)
class Judged:
    """What a process tells of a part that it examined: its report, and what the report depends on.

    key: of what was really read; None when nothing could be. fetched, values: as in `kept.Alone`. whole: not only by the rules that
    compare parts. asked, read: what those asked of the shelf, and the parts they read.
    """

    report: PartReport
    key: str | None = None
    fetched: Mapping[str, str | None] = field(default_factory=dict)
    values: Mapping[str, Any] = field(default_factory=dict)
    whole: bool = True
    asked: Asked = field(default_factory=Asked)
    read: tuple[Read, ...] = ()


@dataclass(frozen=True)
class Standing:
    """A kept result of a part that still stands for what the part decides alone, and the files it was read with. told: its digest."""

    key: str
    told: str
    alone: kept.Alone
    ticket_path: Path | None
    shop_path: Path | None


class Known:
    """The results of earlier runs, looked up for one run and added to by it.

    sure: by part, those results that stand now, whether they were known or found.
    """

    def __init__(self, store: Store, on_disk: OnDisk, wanted: Iterable[int]) -> None:
        """wanted: the numbers of the rules that are run."""
        self._store, self._on_disk = store, on_disk
        listed, run = listing_of(store), frozenset(wanted)
        self._comparing = listed.comparing & run
        self.picks = [pick for number in listed.picking if number in run for pick in rooms()[number].picks]
        self.sure: dict[Path, Sure] = {}

    def missing(self, paths: Iterable[Path]) -> int:
        """Of how many of these parts nothing is kept."""
        return sum((key := self._on_disk.key(path)) is None or not self._store.holds(key) for path in paths)

    def standing(self, paths: Iterable[Path]) -> dict[Path, Standing]:
        """The kept results, by part, that still stand for what each part decides alone."""
        paths = list(paths)
        self._on_disk.look(paths)
        found = {}
        with unswept():
            for path in paths:
                key = self._on_disk.key(path)
                data = self._store.get(key) if key is not None else None
                alone = kept.read_alone(data) if data is not None else None
                if key is not None and alone is not None and same_beside(path, alone.fetched):
                    found[path] = Standing(key, _digest(data or b""), alone, *self._on_disk.papers(path))
        return found

    def values(self, standing: Mapping[Path, Standing]) -> dict[tuple[Path, str], Any]:
        """The measurements of kept parts that are compared, by part and name: a value or NotRun."""
        found = {}
        for path, part in standing.items():
            for pick in self.picks:
                with contextlib.suppress(KeyError):
                    found[path, pick.measurement] = kept.read_value(part.alone, pick.measurement)
        return found

    def compared(self, path: Path, part: Standing, shelf: Shelf) -> kept.Compared | None:
        """What the rules that compare parts said of a kept part, when it still stands on this shelf."""
        if not self._comparing:
            self.sure[path] = Sure(part.alone.fetched, (), part.told)
            return kept.Compared(None, {}, (), (), ())
        data = self._store.get(self._on_disk.keys.compared(part.key, path))
        said = kept.read_compared(data) if data is not None else None
        if data is None or said is None or not self._stands(said, path, shelf):
            return None
        self.sure[path] = Sure(part.alone.fetched, said.read, part.told + _digest(data))
        return said

    def _stands(self, said: kept.Compared, path: Path, shelf: Shelf) -> bool:
        """Whether the shelf would answer the rules that compare parts the same, and what they read is as it was."""
        if said.others is not None and said.others != shelf.has_others(path):
            return False
        questions = {pick.name: pick for pick in self.picks}
        for name, was in said.answers.items():
            if name not in questions:
                return False
            value = shelf.known(path, questions[name].measurement)
            if value is None or isinstance(value, NotRun) or shelf.told(questions[name], path, value) != was:
                return False
        return all(self._on_disk.unchanged(other) for other in said.read)

    def keep(self, path: Path, judged: Judged) -> None:
        """Keep what was found out of a part, when it is finished and known for certain."""
        if judged.key is None or not kept.finished(judged.report):
            return
        told = ""
        if judged.whole:
            data = kept.alone(judged.report, self._comparing, judged.fetched, judged.values)
            self._store.put(judged.key, data)
            told = _digest(data)
        asked = judged.asked
        if asked.open:
            return
        if self._comparing:
            data = kept.compared(judged.report, self._comparing, asked.others, asked.answers, list(judged.read))
            self._store.put(self._on_disk.keys.compared(judged.key, path), data)
            told = told and told + _digest(data)
        self._on_disk.was_read(path, judged.key)
        if judged.key == self._on_disk.key(path):  # not changed while it was judged
            self.sure[path] = Sure(judged.fetched, judged.read, told)

    def close(self) -> None:
        """Make room in the store."""
        self._store.close()


def _digest(data: bytes) -> str:
    return hashlib.sha256(data).hexdigest()
