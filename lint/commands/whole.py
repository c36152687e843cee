"""A whole run told again, word for word, when nothing that its report depends on has changed.

A report follows from the words of the command, the parts in their order, what each is judged by (its key, and the files it refers to),
the papers that it names, the ledgers and the day. Where all of these are as they were, so is the report, and putting it together again
from a thousand kept results would only cost the time.
"""

from __future__ import annotations

import contextlib
import datetime
import hashlib
import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType
from typing import Any

import msgspec

from lint.commands.keys import OnDisk, Read, Sure
from lint.commands.shelves import find_ledger, real
from lint.load.doors import digest, same_beside
from lint.store import Store


@dataclass(frozen=True)
class Told:
    """A report as it was told, and the exit code of its run."""

    text: str
    exit_code: int


class _Kept(msgspec.Struct, array_like=True):
    """seen: the digest of the sizes and times of the files; state: that of all that can be looked at without knowing the report;
    fetched: files that parts refer to, by the place of the part; read: other parts that rules read. texts: what is said of single
    parts, by their place, with the digest of what it follows from; key: of what several parts are told at once."""

    seen: str
    state: str
    fetched: dict[int, dict[str, str | None]]
    read: list[Read]
    text: bytes
    exit_code: int
    texts: dict[int, tuple[str, str]]
    key: str


class Whole:
    """The report of one run, looked up and kept.

    words: whatever of the command and the screen the report is written by.
    """

    def __init__(self, store: Store, on_disk: OnDisk, paths: Sequence[Path], words: Mapping[str, Any]) -> None:
        self._store, self._on_disk, self._paths = store, on_disk, paths
        said = (sorted(words.items()), _here(), [str(path) for path in paths])
        self._key = hashlib.sha256(b"whole " + on_disk.keys.run + repr(said).encode("utf-8", "surrogateescape")).hexdigest()
        self._earlier: _Kept | None = None
        self._ledgers, self._today = _ledgers(paths), datetime.date.today()  # now, before anybody has read them

    def told(self, doubted: Callable[[], None] = lambda: None) -> Told | None:
        """The report of an earlier run, when it would be the same today. doubted: called as soon as this looks unlikely."""
        data = self._store.get(self._key)
        if data is None:
            return None
        try:
            kept = msgspec.msgpack.decode(data, type=_Kept)
            text = kept.text.decode("utf-8", "surrogatepass")
        except (msgspec.MsgspecError, ValueError):
            return None
        self._earlier = kept
        seen = self._seen()
        if kept.seen != seen:  # a hint and no more: a file may be as it was with another time, or another with the same
            doubted()
        same = (
            kept.state == self._state()
            and all(0 <= i < len(self._paths) and same_beside(self._paths[i], files) for i, files in kept.fetched.items())
            and all(self._on_disk.unchanged(other) for other in kept.read)
        )
        if same and kept.seen != seen:  # so that it is doubted once
            kept.seen = seen
            self._store.put(self._key, msgspec.msgpack.encode(kept))
        return Told(text, kept.exit_code) if same else None

    def texts(self, sure: Mapping[Path, Sure]) -> tuple[str, dict[Path, str]]:
        """Of an earlier report that stands no longer, what it says of single parts that are sure and as they were; and its key."""
        if self._earlier is None:
            return "", {}
        known = ((self._paths[i], told) for i, told in self._earlier.texts.items() if 0 <= i < len(self._paths))
        return self._earlier.key, {path: text for path, (of, text) in known if path in sure and of == self._of(path, sure[path])}

    def keep(self, sure: Mapping[Path, Sure], told: Told, key: str = "", texts: Mapping[Path, str] = MappingProxyType({})) -> bool:
        """Keep a report; whether that was done. sure: what each part depends on besides its key. key, texts: as `texts` gives them."""
        state = self._state()
        if state is None or self._ledgers != _ledgers(self._paths) or self._today != datetime.date.today():
            return False  # a ledger was written meanwhile, or midnight has passed
        fetched = {i: dict(sure[path].fetched) for i, path in enumerate(self._paths) if sure[path].fetched}
        read = [other for path in self._paths for other in sure[path].read]
        free = {folder for folder, ledger, _ in self._ledgers if not ledger}  # what is accepted is told by no key of a part
        single = {
            i: (self._of(path, sure[path]), texts[path])
            for i, path in enumerate(self._paths)
            if path in texts and sure[path].told and os.path.dirname(real(path)) in free
        }
        text = told.text.encode("utf-8", "surrogatepass")
        try:
            data = msgspec.msgpack.encode(_Kept(self._seen(), state, fetched, read, text, told.exit_code, single, key))
        except UnicodeEncodeError:  # a name that is no text
            return False
        return self._store.put(self._key, data)

    def _of(self, path: Path, sure: Sure) -> str:
        """The digest of what the text of one part follows from: all that was said of it, and its papers."""
        return hashlib.sha256(repr((sure.told, *map(str, self._on_disk.papers(path)))).encode("utf-8", "surrogateescape")).hexdigest()

    def _seen(self) -> str:
        said = hashlib.sha256()
        for path in self._paths:
            with contextlib.suppress(OSError):
                info = os.stat(path)
                said.update(b"%d %d\n" % (info.st_mtime_ns, info.st_size))
        return said.hexdigest()

    def _state(self) -> str | None:
        """The digest of the day, the ledgers and every part as it lies on the disk; None when something cannot be read."""
        if any(told is None for _, _, told in self._ledgers):
            return None
        self._on_disk.look(self._paths)
        said: list[Any] = [self._today.isoformat(), self._ledgers]
        for path in self._paths:
            key = self._on_disk.key(path)
            if key is None:
                return None
            said.append((key, real(path), *map(str, self._on_disk.papers(path))))
        return hashlib.sha256(repr(said).encode("utf-8", "surrogateescape")).hexdigest()


def _ledgers(paths: Sequence[Path]) -> list[tuple[str, str, str | None]]:
    """For each folder with parts: its ledger, and the digest of that. The digest is None for one that cannot be read."""
    found: dict[str, tuple[str, str, str | None]] = {}
    digests: dict[Path, str | None] = {}
    for path in paths:
        folder = os.path.dirname(real(path))
        if folder not in found:
            ledger = find_ledger(path)
            if ledger is not None and ledger not in digests:
                digests[ledger] = digest(ledger)
            found[folder] = (folder, "", "") if ledger is None else (folder, str(ledger), digests[ledger])
    return list(found.values())


def _here() -> str:
    """The folder that paths are shown from; empty when it is gone."""
    try:
        return os.getcwd()
    except OSError:
        return ""
