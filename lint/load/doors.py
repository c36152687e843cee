"""The one way files come in: ordinary files only, never a pipe or a device, never outside the part's folder."""

from __future__ import annotations

import contextlib
import hashlib
import os
import stat
from collections.abc import Iterator, Mapping
from contextvars import ContextVar
from pathlib import Path
from urllib.parse import unquote

from lint.load.raw import Fault, shown

_ABSENT = "there is no such file; check the name"
_AT_ONCE = 1 << 21
_LARGE_FILE_POINTER = b"version https://git-lfs"


def read_bytes(path: Path, most: int) -> bytes:
    """All bytes of an ordinary file. Raises Fault for anything else, and for more than `most` bytes.

    The kind is asked of the name before opening, because opening a pipe waits for ever, and of the open file after,
    because the name may have been swapped in between. The bytes are copied, not mapped: a file that shrinks under a
    map kills the process.
    """
    lent = _lent.get()
    if lent is not None:
        return _whole(lent.get((str(path), "")), most)
    try:
        with open(_opened(path), "rb") as file:
            info = os.fstat(file.fileno())
            _ordinary(info)
            if info.st_size > most:
                raise Fault(f"it is {info.st_size:,} bytes long; at most {most:,} are read")
            data = file.read(info.st_size)
            if len(data) != info.st_size or file.read(1):
                raise Fault("it changed while it was being read; wait until it is written, then try again")
    except FileNotFoundError:
        raise Fault(_ABSENT) from None
    except PermissionError:
        raise Fault("it may not be read; ask its owner for permission to read it") from None
    except (OSError, ValueError) as error:
        raise Fault(f"it cannot be read: {getattr(error, 'strerror', None) or error}") from None
    return _no_pointer(data)


def _whole(data: bytes | None, most: int) -> bytes:
    if data is None:
        raise Fault(_ABSENT)
    if len(data) > most:
        raise Fault(f"it is {len(data):,} bytes long; at most {most:,} are read")
    return _no_pointer(data)


def _no_pointer(data: bytes) -> bytes:
    if data.startswith(_LARGE_FILE_POINTER):
        raise Fault("it is a large-file pointer, not the part itself; fetch the real file first (git lfs pull)")
    return data


def digest(path: Path) -> str | None:
    """The SHA-256 of an ordinary file, in hexadecimal, read by pieces; None for whatever else `path` is, or cannot be."""
    try:
        with open(_opened(path), "rb", buffering=0) as file:
            info = os.fstat(file.fileno())
            _ordinary(info)
            if info.st_size < _AT_ONCE:
                return hashlib.sha256(file.readall()).hexdigest()
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (Fault, OSError, ValueError):
        return None


def _opened(path: Path) -> int:
    _ordinary(os.stat(path))
    return os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_CLOEXEC", 0))


def _ordinary(info: os.stat_result) -> None:
    if stat.S_ISDIR(info.st_mode):
        raise Fault("it is a folder, not a file; give the file inside it")
    if not stat.S_ISREG(info.st_mode):
        raise Fault("it is a pipe or a device, not an ordinary file; save the part to a file first")


# Files lent by another machine: the bytes by path and, for what a part refers to, by its path and the reference.
Lent = Mapping[tuple[str, str], bytes]
_lent: ContextVar[Lent | None] = ContextVar("_lent", default=None)


@contextlib.contextmanager
def lending(files: Lent) -> Iterator[None]:
    """Within, these files are read under their names, and no other: nothing is looked for on the disk."""
    token = _lent.set(files)
    try:
        yield
    finally:
        _lent.reset(token)


_fetched: ContextVar[dict[str, str | None] | None] = ContextVar("_fetched", default=None)


@contextlib.contextmanager
def fetching() -> Iterator[dict[str, str | None]]:
    """What is fetched within, filled in as it happens: by reference, the SHA-256 of what was read, or None where that failed."""
    told: dict[str, str | None] = {}
    token = _fetched.set(told)
    try:
        yield told
    finally:
        _fetched.reset(token)


def fetch(part: Path, reference: str, most: int) -> bytes:
    """All bytes of the file beside a part that the part refers to. Raises Fault as `beside` and `read_bytes` do."""
    told = _fetched.get()
    if told is not None:
        told[reference] = None
    lent = _lent.get()
    data = read_bytes(beside(part, reference), most) if lent is None else _whole(lent.get((str(part), reference)), most)
    if told is not None:
        told[reference] = hashlib.sha256(data).hexdigest()
    return data


def same_beside(part: Path, fetched: dict[str, str | None]) -> bool:
    """Whether what a part refers to is as it was when it was fetched."""
    for reference, was in fetched.items():
        try:
            now = digest(beside(part, reference))
        except Fault:
            now = None
        if now != was:
            return False
    return True


def beside(part: Path, reference: str) -> Path:
    """The file that a part refers to, when it lies in the part's own folder or below. Raises Fault when it does not.

    Links are followed before judging, so a link that leads out of the folder is outside too.
    """
    name = unquote(reference)
    if "\0" in name or "://" in name or name.startswith(("/", "\\")) or ":" in name.split("/")[0]:
        raise Fault(f"it refers to {shown(reference)}, which is not in the part's own folder; nothing else is opened")
    folder = part.parent.resolve()
    try:
        target = (folder / name.replace("\\", "/")).resolve()
    except (OSError, RuntimeError, ValueError):
        raise Fault(f"it refers to {shown(reference)}, which cannot be followed") from None
    if not target.is_relative_to(folder):
        raise Fault(f"it refers to {shown(reference)}, which is outside the part's own folder; nothing else is opened")
    return target
