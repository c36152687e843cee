"""The store of results under kills: two runs at once keep what they found, under keys that they share."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from corpus import solids
from lint.commands import judging
from lint.commands.looking import look
from lint.commands.running import How, Run
from lint.commands.shelves import Facts, find_parts
from lint.run import examine
from lint.store import open_store
from tests import samples

WALLS = (1, 2, 3)
NEW = 4
WORD = "BUCKWRIGHT_STORE"


def small_shelf(folder: Path) -> None:
    (folder / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n', encoding="utf-8")
    for k in range(4):
        vertices, faces = solids.box((20, 30, 40 + k), step=10)
        (folder / f"part {k}.stl").write_bytes(samples.binary_stl(vertices, faces))
    if not _examined:  # here, so that every run that is forked knows it
        with _remembering():
            for wall in (*WALLS, NEW):
                _looked(folder, wall, fresh=True)


@contextlib.contextmanager
def _store_in(folder: Path) -> Iterator[None]:
    was = os.environ.get(WORD)
    os.environ[WORD] = str(folder / "store")
    try:
        yield
    finally:
        os.environ.pop(WORD)
        if was is not None:
            os.environ[WORD] = was


_examined: dict[tuple[str, float], Any] = {}


def _remembered_examine(part: Any, rules: Any, settings: Any, **more: Any) -> Any:
    """As `examine`, remembered, so that nearly all of the time goes into keeping."""
    key = (part.source.sha256, settings.wall)
    if key not in _examined:
        _examined[key] = examine(part, rules, settings, **more)
    return _examined[key]


@contextlib.contextmanager
def _remembering(seen: list[str] | None = None) -> Iterator[None]:
    real = judging.examine  # type: ignore[attr-defined]

    def examine(part: Any, *rest: Any, **more: Any) -> Any:
        if seen is not None:
            seen.append(part.name)
        return _remembered_examine(part, *rest, **more)

    judging.examine = examine  # type: ignore[attr-defined]
    try:
        yield
    finally:
        judging.examine = real  # type: ignore[attr-defined]


def _looked(folder: Path, wall: int, *, fresh: bool) -> list[Any]:
    """What is said of the parts, without the times."""
    paths = find_parts([folder])
    reports = look(paths, Run(Facts(flags={"wall": float(wall)}), None, tuple(paths)), How(1, fresh=fresh))
    return [(r.path.name, r.unreadable, r.findings, [(x.number, x.outcome, x.why) for x in r.rules]) for r in reports]


def keep_over_and_over(folder: Path, worker: int, told: Callable[[], None]) -> None:
    with _store_in(folder), _remembering():
        for k in range(1_000_000):
            _looked(folder, WALLS[(k + worker) % len(WALLS)], fresh=True)
            told()


def judge(folder: Path, told: list[int]) -> list[str]:
    faults = []
    with _store_in(folder):
        store = open_store()
        assert store is not None
        kept = [p for p in store.folder.rglob("*") if p.is_file() and not p.name.startswith(".")]
        faults += [f"the entry {p.name} is not whole" for p in kept if store.get(p.parent.name + p.name) is None]
        for worker, count in enumerate(told):
            for k in range(min(count, len(WALLS))):
                faults += _not_kept(folder, WALLS[(k + worker) % len(WALLS)])
    return faults


def _not_kept(folder: Path, wall: int) -> list[str]:
    """Faults where what was told as kept is not there, or says anything else than is found anew."""
    asked: list[str] = []
    with _remembering(asked):
        said = _looked(folder, wall, fresh=False)
    with _remembering():
        anew = _looked(folder, wall, fresh=True)
    return [f"{name} was told as kept and is not" for name in asked] + ([] if said == anew else ["a kept result says something else"])


def keep_again(folder: Path) -> None:
    with _store_in(folder), _remembering():
        first = _looked(folder, NEW, fresh=False)
        assert first == _looked(folder, NEW, fresh=False) == _looked(folder, NEW, fresh=True)
