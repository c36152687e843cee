"""The answers of the local page. Everything heavy, and everything that reads a file of the maker's, is done in work.py."""

from __future__ import annotations

import asyncio
import contextlib
import json
import math
from collections.abc import AsyncIterator
from importlib.resources import files
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse, Response
from starlette.routing import Route

from lint.load import SUFFIXES
from lint.load.ticket import ENDING
from lint.page.guard import Guard
from lint.page.sessions import Caps, Session, Sessions
from lint.page.work import KINDS, MESH_KINDS, plain_name
from lint.report.plain import shown

_TYPES = {".html": "text/html; charset=utf-8", ".css": "text/css; charset=utf-8", ".js": "text/javascript; charset=utf-8",
          ".svg": "image/svg+xml"}  # fmt: skip
_VIEWS = frozenset({f"{name}.{kind}" for name in ("scan", "judged", "before", "after") for kind in ("view", "moved", "png")})
_SAVED = frozenset(f"{kind}{more}" for kind in MESH_KINDS for more in ("", "-ticket", "-record"))
_WORDS = 1 << 20  # bytes of JSON a page may say at once
_PATIENCE = 60.0  # s without a byte of an upload that has begun


def build(authority: str, caps: Caps | None = None, given: Path | None = None, within: Path | None = None) -> Guard:
    """The application for a server that listens at `authority`, "127.0.0.1:PORT".

    given: a part named on the command line, for the first step. within: the folder to keep the pages' files in (a temporary one).
    """
    sessions = Sessions(caps or Caps(), within)

    @contextlib.asynccontextmanager
    async def life(app: Starlette) -> AsyncIterator[None]:
        watch = asyncio.get_running_loop().create_task(sessions.watch(min(30.0, sessions.caps.silence / 4)))
        try:
            yield
        finally:
            watch.cancel()
            await sessions.end_all()

    page = _Page(sessions, given)
    app = Starlette(
        routes=[
            Route("/", page.asset, methods=["GET"]),
            Route("/{name}.{ending}", page.asset, methods=["GET"]),
            Route("/pages", page.begin, methods=["POST"]),
            Route("/pages/{page}/now", page.now, methods=["GET"]),
            Route("/pages/{page}/file", page.receive, methods=["POST"]),
            Route("/pages/{page}/work", page.work, methods=["POST"]),
            Route("/pages/{page}/stop", page.stop, methods=["POST"]),
            Route("/pages/{page}/bye", page.bye, methods=["POST"]),
            Route("/pages/{page}/view/{name}", page.view, methods=["GET"]),
            Route("/pages/{page}/save/{name}", page.save, methods=["GET"]),
        ],
        exception_handlers={HTTPException: _refused, Exception: _broke},
        lifespan=life,
    )
    return Guard(app, authority)


async def _refused(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {404: "there is nothing of that name", 405: "that is not done this way"}.get(error.status_code, error.detail)
    return PlainTextResponse(f"{error.detail if error.detail not in ('Not Found', 'Method Not Allowed') else words}\n",
                             error.status_code, error.headers)  # fmt: skip


async def _broke(request: Request, error: Exception) -> Response:
    return PlainTextResponse(f"this is a bug of buckwright: {type(error).__name__}\n", 500)


def _assets() -> dict[str, bytes]:
    """Every file of the page, by name: its own, and the view's script and style."""
    from lint.view import frame

    found = {"viewer.js": frame.script().encode(), "view.css": frame.style().encode()}
    for entry in files("lint.page").joinpath("static").iterdir():
        if Path(entry.name).suffix in _TYPES:
            found[entry.name] = entry.read_bytes()
    return found


class _Page:
    """The answers, one a method."""

    def __init__(self, sessions: Sessions, given: Path | None) -> None:
        self._sessions = sessions
        self._given = given
        self._assets = _assets()

    async def asset(self, request: Request) -> Response:
        """A file of the page, from a list made at the start: the words of the request lead into no folder."""
        name = f"{request.path_params['name']}.{request.path_params['ending']}" if request.path_params else "page.html"
        if name not in self._assets:
            raise HTTPException(404)
        return Response(self._assets[name], media_type=_TYPES[Path(name).suffix])

    async def begin(self, request: Request) -> Response:
        """A page was opened."""
        session = await self._sessions.begin()
        if session is None:
            raise HTTPException(503, f"{self._sessions.caps.pages} pages are open already: close one, then load this one again")
        caps = self._sessions.caps
        if self._given is not None:
            session.scan = {**self._scan(self._given, str(self._given.absolute()), given=True), "typed": str(self._given)}
        return JSONResponse({
            "page": session.name,
            "given": None if self._given is None else shown(self._given.name),
            "takes": [*SUFFIXES, ".zip", ".toml"],
            "most": caps.upload,
            "heartbeat": max(0.2, min(20.0, caps.silence / 4)),
        })  # fmt: skip

    def _scan(self, path: Path, label: str, given: bool) -> dict[str, Any]:
        from lint.load.ticket import find_ticket

        ticket = find_ticket(path.absolute()) if given else None
        return {"path": str(path.absolute()), "label": label, "typed": label, "given": given, "most": self._sessions.caps.upload,
                "ticket": None if ticket is None else str(ticket)}  # fmt: skip

    def _session(self, request: Request) -> Session:
        session = self._sessions.get(request.path_params["page"])
        if session is None:
            raise HTTPException(410, "this page was closed, and its files are gone: load it again and begin anew")
        return session

    async def now(self, request: Request) -> Response:
        """How the work stands; also the sign that the page is still there."""
        return JSONResponse(self._session(request).now())

    async def receive(self, request: Request) -> Response:
        """One file, as it is, streamed to the page's folder under a name of ours and counted on the way."""
        session = self._session(request)
        if session.busy or session.receiving:
            raise HTTPException(409, "one thing at a time: this page is still at work")
        label = plain_name(request.query_params.get("name", ""))
        suffix = Path(label).suffix.lower()
        if suffix not in SUFFIXES and suffix not in (".zip", ".toml"):
            what = suffix or "a file without an ending"
            raise HTTPException(415, f"{what} is no scan that can be read; it takes {', '.join(SUFFIXES)}, or one of them in a .zip")
        caps = self._sessions.caps
        told = request.headers.get("content-length", "0")
        so_far = session.sent if suffix == ".toml" else 0
        if not told.isdecimal() or int(told) > caps.upload - so_far:
            raise _too_much(caps)
        target = session.folder / (f"given{ENDING}" if suffix == ".toml" else f"scan{suffix}")
        before = session.scan or {}
        session.receiving = True
        try:
            if suffix != ".toml":  # another scan takes the place of the one before, and its ticket goes too
                session.scan, session.sent, before = None, 0, {}
                for old in session.folder.iterdir():
                    old.unlink()
            size = await self._stream(request, session, target)
        finally:
            session.receiving = False
        session.scan = {**before, "ticket": str(target)} if suffix == ".toml" else self._scan(target, label, given=False)
        return JSONResponse({"name": label, "bytes": size})

    async def _stream(self, request: Request, session: Session, target: Path) -> int:
        """Write the body to a file while it comes in, and stop at the first byte too many."""
        size, caps = 0, self._sessions.caps
        coming = request.stream().__aiter__()
        try:
            with open(target, "wb") as file:
                while True:
                    try:
                        piece = await asyncio.wait_for(anext(coming), _PATIENCE)
                    except StopAsyncIteration:
                        break
                    size, session.sent = size + len(piece), session.sent + len(piece)
                    if session.sent > caps.upload:
                        raise _too_much(caps)
                    await asyncio.to_thread(file.write, piece)
        except BaseException as error:
            target.unlink(missing_ok=True)
            if isinstance(error, TimeoutError | ClientDisconnect):
                raise HTTPException(408, "the file stopped coming: drop it again", {"connection": "close"}) from None
            if isinstance(error, OSError):
                raise HTTPException(507, "there is no room on this disk for the file", {"connection": "close"}) from None
            raise
        return size

    async def work(self, request: Request) -> Response:
        """Begin a piece of work; how it ends is told by `now`."""
        session = self._session(request)
        job = await _said(request)
        if job.get("what") not in KINDS:
            raise HTTPException(400, "that is no work")
        if session.receiving or session.scan is None or "path" not in session.scan:
            raise HTTPException(409, "there is no scan yet: drop one first")
        caps = self._sessions.caps
        job = {**job, "scan": session.scan, "caps": {"entries": caps.entries, "unpacked": caps.unpacked}}
        try:
            number = session.start(job, caps.deadline)
        except RuntimeError as error:
            raise HTTPException(409, str(error)) from None
        if job["what"] == "open":
            assert session.work is not None
            session.work.add_done_callback(lambda _: _keep_scan(session))
        return JSONResponse({"work": number}, 202)

    async def stop(self, request: Request) -> Response:
        """Break off the work that is going on."""
        self._session(request).bench.stop()
        return JSONResponse({})

    async def bye(self, request: Request) -> Response:
        """The page was closed: its files go."""
        await self._sessions.end(request.path_params["page"])
        return JSONResponse({})

    async def view(self, request: Request) -> Response:
        """The bytes of a mesh for the view, of how far its skin moved, or a drawing for those without a view."""
        name = request.path_params["name"]
        if name not in _VIEWS:
            raise HTTPException(404)
        return _file(self._session(request).folder / name, "image/png" if name.endswith(".png") else "application/octet-stream")

    async def save(self, request: Request) -> Response:
        """A finished file, to be saved."""
        session, name = self._session(request), request.path_params["name"]
        saved = ((session.outcome or {}).get("done") or {}).get("saved") or {}
        if name not in _SAVED:
            raise HTTPException(404)
        called = saved.get(name, {}).get("name", f"buck.{name}")
        return _file(session.folder / f"finished.{name}", "application/octet-stream", called)


def _keep_scan(session: Session) -> None:
    """Reading may have found the scan inside a zip: later work goes to what was found."""
    done = (session.outcome or {}).get("done")
    if done is not None:
        session.scan = done.pop("scan")


def _file(path: Path, kind: str, name: str | None = None) -> Response:
    if not path.is_file():
        raise HTTPException(404, "it is not there yet")
    return FileResponse(path, media_type=kind, filename=name)


def _too_much(caps: Caps) -> HTTPException:
    size = caps.upload / (1 << 20)
    return HTTPException(413, f"it is larger than {math.floor(size) if size >= 1 else size:,.3g} MiB, which is the most that is taken: "
                         "thin the scan out first", {"connection": "close"})  # fmt: skip


async def _said(request: Request) -> dict[str, Any]:
    """The JSON object that a page says. Raises HTTPException for too much of it, or none."""
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _WORDS:
            raise HTTPException(413, "too many words", {"connection": "close"})
    try:
        said = json.loads(body)
    except (ValueError, RecursionError):
        raise HTTPException(400, "that is no JSON") from None
    if not isinstance(said, dict):
        raise HTTPException(400, "that is no JSON object")
    return said
