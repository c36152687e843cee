"""buckwright page: the local page, for those who would rather look and click than type."""

from __future__ import annotations

import argparse
import contextlib
import signal
import socket
import threading
import webbrowser
from types import FrameType

from lint.commands import screen
from lint.report.plain import path_text
from lint.terms import BadInput


def run(args: argparse.Namespace) -> int:
    """Serve the page on this machine until Ctrl-C. Raises BadInput when what it needs is not installed, or the part is not there."""
    try:
        import uvicorn

        from lint.page.server import build
        from lint.page.sessions import Caps
    except ModuleNotFoundError as missing:
        if (missing.name or "").split(".")[0] not in ("starlette", "uvicorn", "anyio", "h11"):
            raise
        raise BadInput(
            "the page needs two more packages, starlette and uvicorn: install them with `pip install 'buckwright[page]'`, "
            "or `pip install '.[page]'` in a checkout"
        ) from None
    if args.path is not None and not args.path.is_file():
        raise BadInput(f"{args.path}: there is no such file; check the name, or leave it out and drop a scan on the page")
    caps = Caps(deadline=args.deadline or Caps.deadline, memory=args.memory)
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as door:
        door.bind(("127.0.0.1", 0))
        app = build(f"127.0.0.1:{door.getsockname()[1]}", caps, args.path)
        config = uvicorn.Config(
            app, log_config=None, access_log=False, lifespan="on", ws="none", http="h11", loop="asyncio", server_header=False,
            date_header=False, proxy_headers=False, timeout_graceful_shutdown=2, limit_concurrency=200,
        )  # fmt: skip
        server = uvicorn.Server(config)

        def hang_up(signum: int, frame: FrameType | None) -> None:
            server.should_exit = True

        if hasattr(signal, "SIGHUP"):  # the terminal was closed: files go all the same
            signal.signal(signal.SIGHUP, hang_up)
        screen.put(
            f"the page is at {app.address}\n"
            + (f"with {path_text(args.path)} on it\n" if args.path is not None else "")
            + "it is on this machine only, and nothing leaves it; its files go when you close it\nCtrl-C here ends it\n"
        )
        if not args.no_browser:
            door.listen(128)  # so that a quick browser is not turned away
            threading.Thread(target=_show, args=(app.once,), daemon=True).start()
        with contextlib.suppress(KeyboardInterrupt):
            server.run(sockets=[door])
    screen.told("ended; the files of the page are gone")
    return 0


def _show(address: str) -> None:
    """Open it in the maker's browser; a machine without one shows the address and no more."""
    with contextlib.suppress(webbrowser.Error):
        webbrowser.open(address)
