"""Which results of earlier runs still stand: everything that a verdict depends on is in its key, or is asked again.

The key of a part is made of the digests of its file, its ticket and its shop file, of the flags and the rules asked for, and of
the program itself with the libraries that it measures with. What a file refers to beside it is looked at again. What the rules that
compare parts said stands when the shelf would answer them the same and every part they read is unchanged. The ledger and today's
date are heard afterwards, on every run.
"""

from __future__ import annotations

import contextlib
import gc
import hashlib
import os
import platform
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from lint import __version__
from lint.commands import kept
from lint.commands.listing import Listing, listing
from lint.commands.shelves import Facts, OnTheBench, real, shop_name
from lint.load.doors import digest, same_beside
from lint.load.ticket import find_shop, find_ticket
from lint.rooms import rooms
from lint.settings import EDITION
from lint.shelf import Asked, Shelf
from lint.store import Store
from lint.terms import NotRun, PartReport

_LARGE = 1 << 20  # bytes from which on a thread of its own is worth it

# Distributions whose numbers a verdict is made of.
_LIBRARIES = ("numpy", "scipy", "manifold3d", "libigl", "scikit_image", "embreex", "msgspec")


@cache
def program() -> str:
    """The digest of this program's own files, and of the versions of Python and the libraries it measures with."""
    import lint
    import rules

    told = hashlib.sha256()
    for package in (rules, lint):
        for name, path in sorted(_files(package.__path__[0])):
            with open(path, "rb", buffering=0) as file:
                data = file.readall()
            told.update(f"{name} {len(data)}\n".encode() + data)
    found = set()
    for folder in sys.path:
        with contextlib.suppress(OSError):
            for name in os.listdir(folder or "."):
                match = re.fullmatch(r"(.+?)-(.+)\.dist-info", name)
                if match and match[1].lower().replace("-", "_") in _LIBRARIES:
                    found.add(name)
    told.update(repr((__version__, EDITION, sys.version, platform.machine(), sorted(found))).encode())
    return told.hexdigest()


def machine() -> str:
    """What a verdict depends on besides the parts and the words of the command: the program, and words of the environment."""
    words = sorted((name, value) for name, value in os.environ.items() if name.startswith("BUCKWRIGHT_") and name not in _UNHEARD)
    return f"{program()} {words}"


def _files(folder: str, within: str = "") -> Iterator[tuple[str, str]]:
    """Every file of a package: its name within it, and its path."""
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.is_dir():
                if entry.name != "__pycache__":
                    yield from _files(entry.path, f"{within}{entry.name}/")
            else:
                yield f"{within}{entry.name}", entry.path


def told(store: Store | None) -> Listing:
    """The rules and fixes as they are listed, without loading them where the store knows."""
    return listing(store, program() if store is not None else "")


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
    read: tuple[kept.Read, ...] = ()


class Keys:
    """The keys of the parts of one run."""

    def __init__(self, flags: Mapping[str, Any], only: Iterable[int] | None) -> None:
        said = (machine(), sorted(flags.items()), None if only is None else sorted(only))
        self._run = repr(said).encode("utf-8", "surrogateescape")

    def of_bench(self, bench: OnTheBench) -> str:
        """The key of a part as it was read."""
        return self._of(bench.part.source.path, bench.part.source.sha256, bench.ticket_told, bench.shop_told, bench.shop_called)

    def of_path(self, path: Path, ticket: Path | None, shops: dict[Path, tuple[Path | None, str | None]]) -> str | None:
        """The key of a part as it lies on the disk now; None when something of it cannot be read. shops: remembered by folder."""
        folder = path.absolute().parent
        if folder not in shops:
            found = find_shop(folder)
            shops[folder] = (found, digest(found) if found is not None else None)
        shop, shop_told = shops[folder]
        told, ticket_told = digest(path), digest(ticket) if ticket is not None else None
        if told is None or (ticket is not None and ticket_told is None) or (shop is not None and shop_told is None):
            return None
        return self._of(path, told, ticket_told, shop_told, shop_name(shop))

    def compared(self, key: str, path: Path) -> str:
        """The key of what the rules that compare parts say of the part at `path`: pairs and copies are known by where they lie."""
        return hashlib.sha256(f"compared {key} ".encode() + os.fsencode(real(path))).hexdigest()

    def _of(self, path: Path, told: str, ticket_told: str | None, shop_told: str | None, shop_called: str) -> str:
        said = (path.name, told, ticket_told, shop_told, shop_called)  # the shop file is named in reports
        return hashlib.sha256(self._run + repr(said).encode("utf-8", "surrogateescape")).hexdigest()


# Words of the environment that change what is shown or kept, and no verdict.
_UNHEARD = frozenset({"BUCKWRIGHT_STORE", "BUCKWRIGHT_STORE_MIB", "BUCKWRIGHT_TRACE", "BUCKWRIGHT_SCANS"})


@dataclass(frozen=True)
class Standing:
    """A kept result of a part that still stands for what the part decides alone, and the files it was read with."""

    key: str
    alone: kept.Alone
    ticket_path: Path | None
    shop_path: Path | None


class Known:
    """The results of earlier runs, looked up for one run and added to by it."""

    def __init__(self, store: Store, keys: Keys, wanted: Iterable[int], facts_of: Callable[[Path], Facts]) -> None:
        """wanted: the numbers of the rules that are run."""
        self._store, self._keys, self._facts_of = store, keys, facts_of
        listed, run = told(store), frozenset(wanted)
        self._comparing = listed.comparing & run
        self.picks = [pick for number in listed.picking if number in run for pick in rooms()[number].picks]
        self._shops: dict[Path, tuple[Path | None, str | None]] = {}
        self._tickets: dict[Path, Path | None] = {}
        self._now: dict[Path, str | None] = {}

    def standing(self, paths: Iterable[Path]) -> dict[Path, Standing]:
        """The kept results, by part, that still stand for what each part decides alone."""
        paths = list(paths)
        large = [path for path in paths if _is_large(path)]
        if len(large) > 1:
            with ThreadPoolExecutor(min(os.cpu_count() or 1, 8)) as pool:  # digesting lets other threads run
                list(pool.map(self._key, large))
        found = {}
        with unswept():
            for path in paths:
                key = self._key(path)
                data = self._store.get(key) if key is not None else None
                alone = kept.read_alone(data) if data is not None else None
                if key is not None and alone is not None and same_beside(path, alone.fetched):
                    shop_path, _ = self._shops[path.absolute().parent]
                    found[path] = Standing(key, alone, self._tickets.get(path), shop_path)
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
            return kept.Compared(None, {}, (), (), ())
        data = self._store.get(self._keys.compared(part.key, path))
        said = kept.read_compared(data) if data is not None else None
        if said is None or (said.others is not None and said.others != shelf.has_others(path)):
            return None
        questions = {pick.name: pick for pick in self.picks}
        for name, was in said.answers.items():
            if name not in questions:
                return None
            value = shelf.known(path, questions[name].measurement)
            if value is None or isinstance(value, NotRun) or shelf.told(questions[name], path, value) != was:
                return None
        for other in said.read:
            there = Path(other.path)
            if self._key(there) != other.key or not same_beside(there, other.fetched):
                return None
        return said

    def keep(self, path: Path, judged: Judged) -> None:
        """Keep what was found out of a part, when it is finished and known for certain."""
        if judged.key is None or not kept.finished(judged.report):
            return
        if judged.whole:
            self._store.put(judged.key, kept.alone(judged.report, self._comparing, judged.fetched, judged.values))
        asked = judged.asked
        if self._comparing and not asked.open:
            data = kept.compared(judged.report, self._comparing, asked.others, asked.answers, list(judged.read))
            self._store.put(self._keys.compared(judged.key, path), data)

    def close(self) -> None:
        """Make room in the store."""
        self._store.close()

    def _key(self, path: Path) -> str | None:
        if path not in self._now:
            ticket = self._tickets[path] = self._facts_of(path).ticket or find_ticket(path)
            self._now[path] = self._keys.of_path(path, ticket, self._shops)
        return self._now[path]


def _is_large(path: Path) -> bool:
    try:
        return os.stat(path).st_size > _LARGE
    except OSError:
        return False


def unswept() -> contextlib.AbstractContextManager[None]:
    """Without the search for garbage, which doubles the time for making a hundred thousand small things that all stay."""
    return _sweeping(False)


def swept() -> contextlib.AbstractContextManager[None]:
    """With the search for garbage, for as long as parts are judged: what a measurement leaves behind is large."""
    return _sweeping(True)


@contextlib.contextmanager
def _sweeping(wanted: bool) -> Iterator[None]:
    was = gc.isenabled()
    _sweep(wanted)
    try:
        yield
    finally:
        _sweep(was)


def _sweep(wanted: bool) -> None:
    (gc.enable if wanted else gc.disable)()
