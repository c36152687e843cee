"""Who may ask: only a page that this very server gave out, on this machine.

Every request is held against three things before anything looks at it. Host must be the address the server listens on, so that a
foreign name made to point at this machine gets nothing. Origin, where a browser sends one, must be our own, and whoever changes
something must send one, so that a page from elsewhere cannot act through the maker's browser. And the path must begin with a
secret that is drawn anew each time the server starts.
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Iterable

from starlette.datastructures import MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY = "; ".join((
    "default-src 'none'",
    "script-src 'self'",
    "style-src 'self'",
    "img-src 'self'",
    "connect-src 'self'",
    "form-action 'none'",
    "base-uri 'none'",
    "frame-ancestors 'none'",
    "require-trusted-types-for 'script'",
    "trusted-types 'none'",
))  # fmt: skip

# Said on every answer, refusals too. The referrer goes to nobody but ourselves, or the secret in the path would travel with it.
HEADERS = {
    "content-security-policy": POLICY,
    "cache-control": "no-store",
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "x-frame-options": "DENY",
    "permissions-policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}

_METHODS = frozenset({"GET", "HEAD", "POST"})


class Refused(Exception):
    """A request that is not let in: the status and one plain line."""

    def __init__(self, status: int, line: str) -> None:
        super().__init__(line)
        self.status = status


class Guard:
    """An ASGI application around another: refuses strangers, takes the secret off the path, and puts HEADERS on every answer.

    authority: "127.0.0.1:PORT". address: what a browser may be shown. once: the path of a single use that a started browser is
    sent to, because the words of a command can be read by others on the machine.
    """

    def __init__(self, app: ASGIApp, authority: str) -> None:
        self._app = app
        self._authority = authority
        self._origin = f"http://{authority}"
        self._secret = secrets.token_urlsafe(32)
        self._once: str | None = secrets.token_urlsafe(32)

    @property
    def address(self) -> str:
        """Where the page is, secret and all."""
        return f"{self._origin}/{self._secret}/"

    @property
    def once(self) -> str:
        """An address that works a single time and leads to the page. Raises ValueError when it was used."""
        if self._once is None:
            raise ValueError("it was used")
        return f"{self._origin}/once/{self._once}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let one request through, or refuse it."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return

        async def sent(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
            await send(message)

        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        try:
            inside = self._admitted(scope)
        except Refused as refusal:
            answer = PlainTextResponse(f"{refusal}\n", refusal.status, {"connection": "close"})
            await answer(scope, receive, sent)
            return
        if inside is None:
            await RedirectResponse(self.address, 303)(scope, receive, sent)
            return
        await self._app({**scope, "path": inside, "raw_path": inside.encode(), "root_path": ""}, receive, sent)

    def _admitted(self, scope: Scope) -> str | None:
        """The path behind the secret; None for the address of a single use, now spent. Raises Refused."""
        headers: list[tuple[bytes, bytes]] = scope["headers"]
        if _values(headers, b"host") != [self._authority]:
            raise Refused(421, f"this page is at {self._origin} and answers to no other name")
        method = scope["method"]
        if method not in _METHODS:
            raise Refused(405, "the page is read and written to in two ways, and this is neither")
        origins = _values(headers, b"origin")
        if any(origin != self._origin for origin in origins) or (method == "POST" and len(origins) != 1):
            raise Refused(403, "asked from another page than our own: refused")
        if any(site not in ("same-origin", "none") for site in _values(headers, b"sec-fetch-site")):
            raise Refused(403, "asked from another page than our own: refused")
        _, first, rest = [*scope["path"].split("/", 2), "", ""][:3]
        if first == "once":
            if self._once is None or not _same(rest, self._once):
                raise Refused(403, "this address works once, and it was used: open the one that the terminal shows")
            self._once = None
            return None
        if not _same(first, self._secret):
            raise Refused(403, "the secret part of the address is missing or old: open the one that the terminal shows")
        return f"/{rest}"


def _values(headers: Iterable[tuple[bytes, bytes]], name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in headers if key.lower() == name]


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one.encode("utf-8", "surrogatepass"), other.encode("utf-8"))
