"""The local page, served in this process for a test, and a plain client that sends exactly what it is told to."""

from __future__ import annotations

import contextlib
import http.client
import io
import json
import socket
import threading
import time
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from corpus import solids
from lint.page.sessions import Caps
from lint.save import encode
from lint.terms import Part, Source

SMALL = Caps(upload=300_000, unpacked=2_000_000, entries=20, pages=4, silence=60.0, deadline=60.0)


@dataclass
class Served:
    """address: with the secret; once: of a single use; within: where the pages' folders are."""

    address: str
    once: str
    within: Path

    @property
    def port(self) -> int:
        port = urlsplit(self.address).port
        assert port is not None
        return port

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def secret(self) -> str:
        return urlsplit(self.address).path

    def ask(self, path: str, said: Any = None, *, method: str = "", body: bytes | None = None, **headers: str) -> tuple[int, bytes]:
        """One request to a path behind the secret (or to "!/path" as it is), with the headers a browser sends but for those given."""
        data = body if body is not None else None if said is None else json.dumps(said).encode()
        method = method or ("GET" if data is None else "POST")
        full = path[1:] if path.startswith("!") else self.secret + path
        names = {name.replace("_", "-"): value for name, value in headers.items()}
        sent = {"Host": f"127.0.0.1:{self.port}", **({"Origin": self.origin} if method == "POST" else {}), **names}
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            link.putrequest(method, full, skip_host=True, skip_accept_encoding=True)
            for name, value in sent.items():
                if value:
                    link.putheader(name, value)
            if data is not None and "Content-Length" not in sent:
                link.putheader("Content-Length", str(len(data)))
            link.endheaders()
            if data is not None:
                with contextlib.suppress(ConnectionError):  # refused before it was all read: the answer is there all the same
                    link.send(data)
            answer = link.getresponse()
            self.headers = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, answer.read()
        finally:
            link.close()

    def begin(self) -> str:
        status, body = self.ask("pages", {})
        assert status == 200, body
        name: str = json.loads(body)["page"]
        return name

    def drop(self, page: str, name: str, data: bytes) -> tuple[int, bytes]:
        from urllib.parse import quote

        return self.ask(f"pages/{page}/file?name={quote(name, safe='')}", body=data)

    def work(self, page: str, what: str, **more: Any) -> dict[str, Any]:
        """Have work done and wait for its end. Returns the whole outcome."""
        status, body = self.ask(f"pages/{page}/work", {"what": what, **more})
        assert status == 202, body
        return self.wait(page)

    def wait(self, page: str) -> dict[str, Any]:
        for _ in range(6000):
            status, body = self.ask(f"pages/{page}/now")
            assert status == 200, body
            now = json.loads(body)
            if not now["busy"]:
                outcome: dict[str, Any] = now["outcome"]
                return outcome
            time.sleep(0.05)
        raise AssertionError("it never ended")


@contextlib.contextmanager
def serving(within: Path, caps: Any = None, given: Path | None = None) -> Iterator[Served]:
    """The page served on a port of its own until the block ends."""
    import uvicorn

    from lint.page.server import build

    with socket.socket() as door:
        door.bind(("127.0.0.1", 0))
        app = build(f"127.0.0.1:{door.getsockname()[1]}", caps, given, within)
        config = uvicorn.Config(app, log_config=None, access_log=False, ws="none", http="h11", loop="asyncio", server_header=False,
                                date_header=False, timeout_graceful_shutdown=1)  # fmt: skip
        server = uvicorn.Server(config)
        thread = threading.Thread(target=server.run, kwargs={"sockets": [door]})
        thread.start()
        try:
            while not server.started:
                assert thread.is_alive()
                time.sleep(0.01)
            yield Served(app.address, app.once, within)
        finally:
            server.should_exit = True
            thread.join()


def cube(suffix: str = ".stl") -> bytes:
    """The bytes of a cube's file."""
    vertices, faces = solids.box((20, 20, 20))
    return encode(Part(vertices, faces, Source(Path(f"cube{suffix}"), "x", "", 0), "mm"), suffix)


def packed(*files: tuple[str, bytes]) -> bytes:
    """The bytes of a zip."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as package:
        for name, data in files:
            package.writestr(name, data)
    return out.getvalue()


def files_of(served: Served) -> list[str]:
    """The names of all files that the pages of a server have."""
    return sorted(p.name for p in served.within.rglob("*") if p.is_file() and p.name != "in-use")
