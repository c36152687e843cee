"""The keys of parts: everything that a verdict depends on is in its key, or is asked again.

The key of a part is made of the digests of its file, its ticket and its shop file, of the flags and the rules asked for, and of
the program itself with the libraries that it measures with.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import platform
import re
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import msgspec

from lint import __version__, cores
from lint.commands.shelves import Facts, OnTheBench, real, shop_name
from lint.load.doors import digest, same_beside
from lint.load.ticket import find_shop, find_ticket
from lint.settings import EDITION

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


class Keys:
    """The keys of the parts of one run."""

    def __init__(self, flags: Mapping[str, Any], only: Iterable[int] | None) -> None:
        said = (machine(), sorted(flags.items()), None if only is None else sorted(only))
        self.run = repr(said).encode("utf-8", "surrogateescape")

    def of_bench(self, bench: OnTheBench) -> str:
        """The key of a part as it was read."""
        return self._of(bench.part.source.path, bench.part.source.sha256, bench.ticket_told, bench.shop_told, bench.shop_called)

    def of_path(self, path: Path, ticket: Path | None, shops: dict[Path, tuple[Path | None, str | None]]) -> str | None:
        """The key of a part as it lies on the disk now; None when something of it cannot be read. shops: remembered by folder."""
        shop, shop_told = self.shop_of(path, shops)
        told, ticket_told = digest(path), digest(ticket) if ticket is not None else None
        if told is None or (ticket is not None and ticket_told is None) or (shop is not None and shop_told is None):
            return None
        return self._of(path, told, ticket_told, shop_told, shop_name(shop))

    def shop_of(self, path: Path, shops: dict[Path, tuple[Path | None, str | None]]) -> tuple[Path | None, str | None]:
        """The shop file of a part and its digest, as remembered by folder."""
        folder = path.absolute().parent
        if folder not in shops:
            found = find_shop(folder)
            shops[folder] = (found, digest(found) if found is not None else None)
        return shops[folder]

    def compared(self, key: str, path: Path) -> str:
        """The key of what the rules that compare parts say of the part at `path`: pairs and copies are known by where they lie."""
        return hashlib.sha256(f"compared {key} ".encode() + os.fsencode(real(path))).hexdigest()

    def _of(self, path: Path, told: str, ticket_told: str | None, shop_told: str | None, shop_called: str) -> str:
        said = (path.name, told, ticket_told, shop_told, shop_called)  # the shop file is named in reports
        return hashlib.sha256(self.run + repr(said).encode("utf-8", "surrogateescape")).hexdigest()


# Words of the environment that change what is shown or kept, and no verdict.
_UNHEARD = frozenset({"BUCKWRIGHT_STORE", "BUCKWRIGHT_STORE_MIB", "BUCKWRIGHT_TRACE", "BUCKWRIGHT_SCANS"})


class Read(msgspec.Struct, array_like=True):
    """Another part that a rule read: its path, the key of what it was judged by, and the files beside it that it refers to."""

    path: str
    key: str
    fetched: dict[str, str | None]


@dataclass(frozen=True)
class Sure:
    """What a result that stands at the end of a run depends on besides its key: files beside the part, and parts that were read.

    told: the digest of all that was said, or empty where only a part of it came by.
    """

    fetched: Mapping[str, str | None]
    read: tuple[Read, ...]
    told: str = ""


class OnDisk:
    """The keys of parts as they lie on the disk in this run: each is looked at once."""

    def __init__(self, keys: Keys, facts_of: Callable[[Path], Facts]) -> None:
        self.keys, self._facts_of = keys, facts_of
        self._shops: dict[Path, tuple[Path | None, str | None]] = {}
        self._tickets: dict[Path, Path | None] = {}
        self._now: dict[Path, str | None] = {}

    def key(self, path: Path) -> str | None:
        """The key of a part; None when something of it cannot be read."""
        if path not in self._now:
            ticket = self._tickets[path] = self._facts_of(path).ticket or find_ticket(path)
            self._now[path] = self.keys.of_path(path, ticket, self._shops)
        return self._now[path]

    def was_read(self, path: Path, key: str) -> None:
        """A part was read just now, with this key: where it was not looked at before, that was the look."""
        if path not in self._now:
            ticket = self._facts_of(path).ticket or find_ticket(path)
            self.keys.shop_of(path, self._shops)
            self._tickets[path], self._now[path] = ticket, key

    def look(self, paths: Iterable[Path]) -> None:
        """Look at the large ones of these parts side by side."""
        large = [path for path in paths if path not in self._now and _is_large(path)]
        if len(large) > 1:
            from concurrent.futures import ThreadPoolExecutor

            with ThreadPoolExecutor(min(cores.allowed(), 8)) as pool:  # digesting lets other threads run
                list(pool.map(self.key, large))

    def unchanged(self, other: Read) -> bool:
        """Whether a part that a rule read is as it was."""
        path = Path(other.path)
        return self.key(path) == other.key and same_beside(path, other.fetched)

    def papers(self, path: Path) -> tuple[Path | None, Path | None]:
        """The ticket and the shop file of a part whose key is known."""
        return self._tickets.get(path), self._shops[path.absolute().parent][0]


def _is_large(path: Path) -> bool:
    try:
        return os.stat(path).st_size > _LARGE
    except OSError:
        return False
