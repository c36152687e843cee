"""The store of finished results: small entries by key in the user's cache folder, whole or not there at all.

It may be deleted at any time and is never the only place of anything. A run that is killed, two runs at once, a full disk or a folder
that cannot be written to cost an entry and never a wrong one: an entry is swapped in whole, carries the digest of its own key and
content, and one that does not hold to it is passed over. Nothing in it is ever run (no pickles). Only its owner may look in, and a
folder that somebody else owns or may write to is not used.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import stat
import sys
import time
from pathlib import Path

_MARK = b"buckwright result 1\n"
_DIGEST = hashlib.sha256().digest_size
_TEMPORARY = ".writing-"
_MIB = 1 << 20
_LONGEST = 64 * _MIB  # of one entry
_DEAD = 3600.0  # s after which something half-written is taken for the leftover of a killed run
_USED = 3600.0  # s between two notes that an entry is in use: enough to know the oldest
_LITTLE, _LOOKED = 100, ".looked"  # less than this part of the most allowed need not be made room for within the hour
_KEPT = 0.8  # of the most allowed that is left after making room, so that room is not made on every run

FOLDER, MOST = "BUCKWRIGHT_STORE", "BUCKWRIGHT_STORE_MIB"  # words of the environment
DEFAULT_MIB = 512.0


class Store:
    """Entries under one folder. Nothing here raises for what the disk is like: an entry is then not found, or not kept.

    most: bytes on disk that all entries together may take; those used longest ago go first.
    """

    def __init__(self, folder: Path, most: int = int(DEFAULT_MIB * _MIB)) -> None:
        self.folder, self.most = folder, most
        self._usable: bool | None = None
        self._wrote = 0  # bytes

    def get(self, key: str) -> bytes | None:
        """The content kept under a key (hexadecimal, 32 letters or more), or None when there is none that is whole."""
        if self._usable is None and not self._ready(make=False):
            return None
        path = self._path(key)
        try:
            handle = os.open(path, os.O_RDONLY | _flags("O_BINARY", "O_NOFOLLOW", "O_NONBLOCK", "O_CLOEXEC"))
            with open(handle, "rb", buffering=0) as file:
                info = os.fstat(handle)
                if not stat.S_ISREG(info.st_mode) or info.st_size > _LONGEST:
                    return None
                data = file.read(info.st_size + 1)
        except OSError:
            return None
        content = data[len(_MARK) + _DIGEST :]
        if data[: len(_MARK) + _DIGEST] != _MARK + _seal(key, content):
            return None
        if time.time() - info.st_mtime > _USED:
            with contextlib.suppress(OSError):
                os.utime(path)
        return content

    def holds(self, key: str) -> bool:
        """Whether there is something under a key, whole or not."""
        return os.path.exists(self._path(key))

    def put(self, key: str, content: bytes) -> bool:
        """Keep content under a key, in place of what was there; whether that was done."""
        if not self._usable and not self._ready(make=True):
            return False
        path = self._path(key)
        temporary = Path(path).with_name(_TEMPORARY + secrets.token_hex(8))
        try:
            _write(temporary, _MARK + _seal(key, content) + content)
            os.replace(temporary, path)
        except OSError:
            with contextlib.suppress(OSError):
                temporary.unlink()
            return False
        self._wrote += len(content)
        return True

    def close(self) -> None:
        """Make room if this run has written: leftovers of killed runs go, then what was used longest ago."""
        if not self._wrote or (self._wrote < self.most // _LITTLE and self._looked_lately()):
            return
        self._wrote = 0
        now, entries = time.time(), []
        for shard in _scanned(self.folder):
            for entry in _scanned(Path(shard.path)) if len(shard.name) == 2 else []:
                with contextlib.suppress(OSError):
                    info = entry.stat(follow_symlinks=False)
                    if entry.name.startswith(_TEMPORARY):
                        if now - info.st_mtime > _DEAD:
                            os.unlink(entry.path)
                    else:
                        entries.append((info.st_mtime, max(info.st_size, 512 * getattr(info, "st_blocks", 0)), entry.path))
        total = sum(size for _, size, _ in entries)
        if total <= self.most:
            return
        for _, size, path in sorted(entries):
            if total <= _KEPT * self.most:
                break
            with contextlib.suppress(OSError):
                os.unlink(path)
            total -= size

    def _looked_lately(self) -> bool:
        """Whether this folder was gone through within the hour; if not, it is noted that it is now."""
        noted = os.path.join(self.folder, _LOOKED)
        with contextlib.suppress(OSError):
            if 0 <= time.time() - os.stat(noted).st_mtime < _USED:
                return True
            os.utime(noted)
            return False
        with contextlib.suppress(OSError):
            os.close(os.open(noted, os.O_WRONLY | os.O_CREAT | _flags("O_NOFOLLOW", "O_CLOEXEC"), 0o600))
        return False

    def _path(self, key: str) -> str:
        return os.path.join(self.folder, key[:2], key[2:])  # in text: a run of a thousand parts looks up thousands

    def _ready(self, *, make: bool) -> bool:
        """Whether the folder is there, ours, and closed to others; made when it is wanted and missing."""
        try:
            if make:
                self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            info = os.stat(self.folder)
            ours = stat.S_ISDIR(info.st_mode) and (not hasattr(os, "getuid") or info.st_uid == os.getuid())
            if ours and sys.platform != "win32" and info.st_mode & 0o077:
                os.chmod(self.folder, 0o700)
                ours = not info.st_mode & 0o022  # what others could have written is not trusted in this run
            self._usable = ours
        except FileNotFoundError:
            return False
        except OSError:
            self._usable = False
        return bool(self._usable)


def open_store() -> Store | None:
    """The store that the environment asks for: a folder, or "off" for none, and the most it may take."""
    asked = os.environ.get(FOLDER, "")
    if asked.lower() == "off":
        return None
    folder = Path(asked) if asked else default_folder()
    try:
        most = float(os.environ.get(MOST) or DEFAULT_MIB)
    except ValueError:
        most = DEFAULT_MIB
    # A folder of our own within, so that nothing else in a folder that somebody names is touched.
    return Store(folder.absolute() / "results", int(most * _MIB)) if folder is not None and 0 < most < 1e9 else None


def default_folder() -> Path | None:
    """Where this system keeps what programs may lose (XDG base directories, Library/Caches, LOCALAPPDATA); None when nothing says."""
    stated = os.environ.get("XDG_CACHE_HOME", "")
    if stated and os.path.isabs(stated):  # the specification has a relative one ignored
        return Path(stated) / "buckwright"
    if sys.platform == "win32":
        local = os.environ.get("LOCALAPPDATA", "")
        return Path(local) / "buckwright" / "cache" if local else None
    try:
        home = Path.home()
    except RuntimeError:
        return None
    return home / ("Library/Caches" if sys.platform == "darwin" else ".cache") / "buckwright"


def _seal(key: str, content: bytes) -> bytes:
    """The digest of key and content together, so that an entry under another's name is none."""
    return hashlib.sha256(key.encode("ascii") + b"\n" + content).digest()


def _write(path: Path, data: bytes) -> None:
    # Not synced: what a power cut leaves torn does not hold to its digest, and is made anew.
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | _flags("O_BINARY", "O_NOFOLLOW", "O_CLOEXEC")
    try:
        handle = os.open(path, flags, 0o600)
    except FileNotFoundError:
        path.parent.mkdir(mode=0o700, exist_ok=True)
        handle = os.open(path, flags, 0o600)
    with open(handle, "wb", buffering=0) as file:
        rest = memoryview(data)
        while rest:
            rest = rest[file.write(rest) :]


def _scanned(folder: Path) -> list[os.DirEntry[str]]:
    try:
        return list(os.scandir(folder))
    except OSError:
        return []


def _flags(*names: str) -> int:
    """Those flags for opening that this system knows."""
    return sum(getattr(os, name, 0) for name in names)
