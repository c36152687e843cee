"""What each open page has: a folder of its own that nobody else may read, and one process that works for it.

Files go when the page is closed, when it has not been heard of for a while (a browser that crashed cannot say goodbye), or when
the server ends. A server that was killed leaves its folder behind; the next one to start takes it away.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import secrets
import shutil
import tempfile
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lint.page.bench import Bench
from lint.save.atomic import lock_if_free

_GONE = 150.0  # s; a page in the background speaks once a minute, so this one is frozen or gone
_YOUNG = 30.0  # s; a folder so new may belong to a server that has not locked it yet
_PREFIX, _LOCK = "buckwright-page-", "in-use"


@dataclass(frozen=True)
class Caps:
    """How much a page may ask for. Bytes, counts, seconds, and GiB of memory for the process of one page.

    upload: of one file, and of all that one page has sent; unpacked: out of a zip; entries: files in it; silence: s after which a
    page that was not heard of is taken for closed. Browsers let a page in the background speak once a minute, or freeze it.
    """

    upload: int = 1 << 30
    unpacked: int = 2 << 30
    entries: int = 1000
    pages: int = 8
    silence: float = 1800.0
    deadline: float = 1800.0
    memory: float | None = None


@dataclass
class Session:
    """One open page. outcome: what the last piece of work ended with, kept until the next begins."""

    name: str
    folder: Path
    bench: Bench
    seen: float = field(default_factory=time.monotonic)
    sent: int = 0
    receiving: bool = False
    work: asyncio.Task[None] | None = None
    number: int = 0
    began: float = 0.0
    said: list[Any] = field(default_factory=list)
    outcome: Mapping[str, Any] | None = None
    scan: Mapping[str, Any] | None = None

    @property
    def busy(self) -> bool:
        """Whether its process is at work."""
        return self.work is not None and not self.work.done()

    def start(self, job: dict[str, Any], deadline: float) -> int:
        """Begin a piece of work and return its number. Raises RuntimeError while another is going on."""
        if self.busy:
            raise RuntimeError("one thing at a time: this page is still at work")
        self.number, self.began, self.said, self.outcome = self.number + 1, time.monotonic(), [], None
        self.work = asyncio.get_running_loop().create_task(self._run(job, deadline))
        return self.number

    async def _run(self, job: dict[str, Any], deadline: float) -> None:
        self.outcome = await asyncio.to_thread(self.bench.do, job, deadline, self.said.append)

    def now(self) -> dict[str, Any]:
        """How the work stands, for the page to ask again and again."""
        seconds = round(time.monotonic() - self.began, 1) if self.busy else 0.0
        return {"work": self.number, "busy": self.busy, "seconds": seconds, "said": list(self.said), "outcome": self.outcome}

    async def end(self) -> None:
        """End its process, whatever it is doing, and take its files away."""
        self.bench.leave()
        if self.work is not None:
            with contextlib.suppress(Exception):
                await self.work
        await asyncio.to_thread(self.bench.end)
        await asyncio.to_thread(shutil.rmtree, self.folder, ignore_errors=True)


class Sessions:
    """All open pages of one server."""

    def __init__(self, caps: Caps, within: Path | None = None) -> None:
        self.caps = caps
        base = Path(tempfile.gettempdir()) if within is None else within
        sweep(base)
        self.root = Path(tempfile.mkdtemp(prefix=_PREFIX, dir=base))  # 0700: for this user only
        self._lock = os.open(self.root / _LOCK, os.O_RDWR | os.O_CREAT, 0o600)
        lock_if_free(self._lock)
        self._open: dict[str, Session] = {}

    async def begin(self) -> Session | None:
        """A new page's session; None when there are too many. Pages that were not heard of for minutes make room first."""
        if len(self._open) >= self.caps.pages:
            for name, session in list(self._open.items()):
                if not session.busy and time.monotonic() - session.seen > _GONE:
                    await self.end(name)
        if len(self._open) >= self.caps.pages:
            return None
        name = secrets.token_urlsafe(24)
        folder = self.root / secrets.token_hex(8)
        folder.mkdir(mode=0o700)
        self._open[name] = Session(name, folder, Bench(folder, self.caps.memory))
        return self._open[name]

    def get(self, name: str) -> Session | None:
        """The session of a page that just spoke; None when it has ended."""
        session = self._open.get(name)
        if session is not None:
            session.seen = time.monotonic()
        return session

    def __len__(self) -> int:
        return len(self._open)

    async def end(self, name: str) -> None:
        """End one session, if it is open."""
        session = self._open.pop(name, None)
        if session is not None:
            await session.end()

    async def watch(self, every: float) -> None:
        """End the sessions that fell silent, for ever. A page at work is waited for as long as it may work."""
        while True:
            await asyncio.sleep(every)
            for name, session in list(self._open.items()):
                if not session.busy and time.monotonic() - session.seen > self.caps.silence:
                    await self.end(name)

    async def end_all(self) -> None:
        """End every session and take the folder of the server away."""
        for name in list(self._open):
            await self.end(name)
        with contextlib.suppress(OSError):
            os.close(self._lock)
        await asyncio.to_thread(shutil.rmtree, self.root, ignore_errors=True)


def sweep(base: Path) -> None:
    """Take away what servers that were killed have left behind, where the system can tell a living one by its lock."""
    for left in base.glob(f"{_PREFIX}*"):
        with contextlib.suppress(OSError):
            info = left.lstat()
            if left.is_symlink() or info.st_uid != os.getuid() or time.time() - info.st_mtime < _YOUNG:
                continue
            handle = os.open(left / _LOCK, os.O_RDWR | os.O_NOFOLLOW)
            try:
                if lock_if_free(handle):
                    shutil.rmtree(left, ignore_errors=True)
            finally:
                os.close(handle)
