"""The search for garbage, held back where it only costs time."""

from __future__ import annotations

import contextlib
import gc
from collections.abc import Iterator


def unswept() -> contextlib.AbstractContextManager[None]:
    """Without the search for garbage, which doubles the time for making a hundred thousand small things that all stay."""
    return _sweeping(False)


def swept() -> contextlib.AbstractContextManager[None]:
    """With the search for garbage, for as long as parts are judged: what a measurement leaves behind is large."""
    return _sweeping(True)


@contextlib.contextmanager
def _sweeping(wanted: bool) -> Iterator[None]:
    was = gc.isenabled()
    _sweep(wanted)
    try:
        yield
    finally:
        _sweep(was)


def _sweep(wanted: bool) -> None:
    if not wanted:
        gc.disable()
    elif not gc.isenabled():
        # To the old ones with what has been made meanwhile: it would be searched at once, and it stays.
        gc.freeze()
        gc.unfreeze()
        gc.enable()
