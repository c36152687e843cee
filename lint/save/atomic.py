"""Files go out whole or not at all: written under a temporary name in the same folder, synced, then swapped in."""

from __future__ import annotations

import contextlib
import errno
import os
import random
import secrets
import stat
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

from lint.load import path_shown
from lint.terms import BadInput

_PATIENCE = 30.0
_TEMPORARY = ".buckwright-{}.tmp"  # hidden, and with no ending that a part has: never taken for one
_STALE = 60.0  # s; a younger one may belong to a run that has not locked it yet
_WHY = {
    errno.ENOSPC: "the disk is full; make room",
    errno.EDQUOT: "your share of the disk is full; make room",
    errno.EFBIG: "the file would be larger than is allowed here; raise that limit, or write to another folder",
    errno.EROFS: "the folder can only be read; write to another",
    errno.EACCES: "the folder may not be written to; write to another, or ask its owner",
    errno.EPERM: "the folder may not be written to; write to another, or ask its owner",
    errno.ENOENT: "there is no such folder; make it first",
    errno.ENOTDIR: "what should be its folder is a file; check the name",
    errno.ELOOP: "it is a link that leads in a circle; write to another name",
    errno.ENAMETOOLONG: "its name is too long; choose a shorter one",
}


def swap_in(path: Path, data: bytes, *, inputs: Iterable[Path] = (), over_inputs: bool = False) -> None:
    """Write a file whole. A reader sees the old file or the new one, never a part; a failure leaves the old one alone.

    inputs: files that were read; writing over one of them is refused (links and other names for it included) unless
    `over_inputs`. A link is followed, and an existing file keeps its mode. Raises BadInput, one line, for what fails.
    """
    try:
        target = Path(os.path.realpath(path, strict=False))
        mode = _check(path, target, inputs, over_inputs)
        _write(target, data, mode)
    except (OSError, ValueError) as error:
        raise BadInput(f"{path_shown(path)}: it was not written: {_why(error)}") from None


def _why(error: OSError | ValueError) -> str:
    if isinstance(error, OSError) and error.errno in _WHY:
        return _WHY[error.errno]
    return str(getattr(error, "strerror", None) or error)


def _check(path: Path, target: Path, inputs: Iterable[Path], over_inputs: bool) -> int | None:
    """The mode of the file that is there, or None when there is none. Raises BadInput when it must not be replaced."""
    try:
        info = os.stat(target)
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(info.st_mode):
        raise BadInput(f"{path_shown(path)}: it was not written: it is a folder; give the name of a file in it")
    if not stat.S_ISREG(info.st_mode):
        raise BadInput(f"{path_shown(path)}: it was not written: it is a pipe or a device; give the name of a file")
    if not over_inputs:
        for source in inputs:
            with contextlib.suppress(OSError):
                if os.path.samestat(os.stat(source), info):
                    raise BadInput(f"{path_shown(path)}: it was not written: it is the very file that was read; choose another name")
    if not os.access(target, os.W_OK):
        raise BadInput(f"{path_shown(path)}: it was not written: it is there and may not be changed; choose another name")
    return stat.S_IMODE(info.st_mode)


def _write(target: Path, data: bytes, mode: int | None) -> None:
    _sweep(target.parent)
    temporary = target.with_name(_TEMPORARY.format(secrets.token_hex(8)))
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_CLOEXEC", 0)
    handle = os.open(temporary, flags, 0o666)
    try:
        with open(handle, "wb") as file:
            lock_if_free(handle)  # says to others that this run is alive; whoever dies lets go
            file.write(data)
            file.flush()
            if mode is not None:
                os.chmod(temporary, mode)
            os.fsync(file.fileno())
        os.replace(temporary, target)
    except BaseException:
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    _sync_folder(target.parent)


def _sweep(folder: Path) -> None:
    """Take away the temporary files of runs that were killed, where the system can tell them from those of living ones."""
    for left in folder.glob(_TEMPORARY.format("*")):
        with contextlib.suppress(OSError):
            if time.time() - left.lstat().st_mtime < _STALE:
                continue
            handle = os.open(left, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0))
            try:
                if lock_if_free(handle):
                    left.unlink()
            finally:
                os.close(handle)


def lock_if_free(handle: int) -> bool:
    """Lock an open file if nobody else has; False when somebody has, or where files cannot be locked."""
    try:
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except (ImportError, OSError):
        return False
    return True


def _sync_folder(folder: Path) -> None:
    """Make the new name last through a power cut, where the system can (Windows cannot open a folder)."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def locked(path: Path, *, patience: float = _PATIENCE) -> Iterator[None]:
    """Hold a file for reading, changing and writing it back: two runs at once take turns. Raises BadInput after `patience` s.

    The lock is a file `.<name>.lock` beside it, held by the system where it can (flock), so that a run that dies lets go;
    elsewhere by its mere existence. It is gone afterwards.
    """
    target = Path(os.path.realpath(path))
    lock = target.with_name(f".{target.name[:200]}.lock")
    until = time.monotonic() + patience
    try:
        while (handle := _try_lock(lock)) is None:
            if time.monotonic() > until:
                raise BadInput(f"{path_shown(path)}: another run has held it for {patience:g} s; try again (lock file {lock.name})")
            time.sleep(random.uniform(0.001, 0.01))  # uneven, or one that takes it again and again keeps another out
    except (OSError, ValueError) as error:
        raise BadInput(f"{path_shown(path)}: it was not written: {_why(error)}") from None
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            lock.unlink()
        os.close(handle)


def _try_lock(lock: Path) -> int | None:
    try:
        import fcntl
    except ImportError:  # Windows
        try:
            return os.open(lock, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        except FileExistsError:
            return None
        except PermissionError:
            if os.access(lock.parent, os.W_OK):  # it is being removed by the run that held it
                return None
            raise
    handle = os.open(lock, os.O_WRONLY | os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW, 0o666)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        # Whoever held it before may have removed the file between our opening and our locking: then it guards nothing.
        if os.path.samestat(os.fstat(handle), os.stat(lock)):
            return handle
    except (BlockingIOError, FileNotFoundError):
        pass
    except BaseException:
        os.close(handle)
        raise
    os.close(handle)
    return None
