"""Parts on disk: finding them in folders, and reading one with its ticket, its shop file and the flags."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterable, Iterator, Mapping
from contextvars import ContextVar
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from lint.load import SUFFIXES, read
from lint.load.doors import fetching
from lint.load.ticket import ENDING, LEDGER, find_shop, find_ticket, read_shop_told, read_ticket_told
from lint.report.plain import path_text
from lint.rooms import rooms
from lint.settings import Settings, gather
from lint.terms import BadInput, Part
from lint.ticket import Shop, Ticket


def find_parts(paths: Iterable[Path]) -> list[Path]:
    """Files as given, folders searched for parts, each file once, in a stable order.

    Hidden folders and files are passed over, and a folder is entered once however many links lead to it. A ticket stands for
    the part it lies beside. Any other file that was given by name is kept whatever its ending, so that reading it can say what
    is wrong with it.
    """
    found: dict[str, Path] = {}
    with folders_stay():
        for path in paths:
            for part in _search(path, set()) if path.is_dir() else _beside(path) or [path]:
                found.setdefault(real(part), part)
    return list(found.values())


def real(path: Path) -> str:
    """Where a path leads, links followed, as `os.path.realpath`; each is looked at once within `folders_stay`."""
    seen = _seen.get()
    if seen is None:
        return os.path.realpath(path)
    told = os.fspath(path)
    if told not in seen:
        folder, name = os.path.split(os.path.abspath(told))
        if folder not in seen:
            seen[folder] = os.path.realpath(folder)
        there = os.path.join(seen[folder], name)
        seen[told] = os.path.realpath(there) if os.path.islink(there) else there
    return seen[told]


@contextlib.contextmanager
def folders_stay() -> Iterator[None]:
    """Within, `real` takes parts and folders to be where they were at first sight."""
    token = _seen.set({})
    try:
        yield
    finally:
        _seen.reset(token)


_seen: ContextVar[dict[str, str] | None] = ContextVar("_seen", default=None)


def _beside(ticket: Path) -> list[Path]:
    """The parts that would be read with a ticket; none when it is no ticket, or lies beside no part."""
    stem = ticket.name.removesuffix(ENDING)
    if stem in ("", ticket.name):
        return []
    names = [stem] if stem.lower().endswith(SUFFIXES) else []
    names += [p.name for p in ticket.parent.iterdir() if p.stem == stem and p.suffix.lower() in SUFFIXES] if ticket.is_file() else []
    return sorted(p for name in names if (p := ticket.with_name(name)).is_file() and find_ticket(p) == ticket)


def _search(folder: Path, entered: set[tuple[int, int]]) -> Iterator[Path]:
    try:
        status = folder.stat()
        entries = sorted(os.scandir(folder), key=lambda e: os.fsencode(e.name))
    except OSError as error:
        raise BadInput(f"{folder}: the folder could not be searched: {error.strerror or error}") from error
    key = (status.st_dev, status.st_ino)
    if key in entered:
        return
    entered.add(key)
    for entry in entries:
        if entry.name.startswith("."):
            continue
        path = folder / entry.name
        if entry.is_dir():
            yield from _search(path, entered)
        elif path.suffix.lower() in SUFFIXES and entry.is_file():
            yield path


def find_ledger(part: Path) -> Path | None:
    """The nearest ledger.toml in the part's folder or above; None when there is none."""
    return next((p for folder in part.resolve().parents if (p := folder / LEDGER).is_file()), None)


@dataclass(frozen=True)
class Facts:
    """What the command line says about every part of the run: a ticket to use instead of the one beside it, and flags by name."""

    ticket: Path | None = None
    flags: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class OnTheBench:
    """A part with the facts it is judged by.

    shop_called: how reports call the shop file. ticket_told, shop_told: SHA-256 of the very bytes that the ticket and the shop file were
    read from; None without such a file.
    fetched: files beside the part that it refers to, as `lint.load.doors.fetching` tells of them.
    """

    part: Part
    settings: Settings
    ticket_path: Path | None
    shop_path: Path | None
    shop_called: str = "shop.toml"
    ticket_told: str | None = None
    shop_told: str | None = None
    fetched: Mapping[str, str | None] = field(default_factory=dict)


@dataclass(frozen=True)
class Papers:
    """The ticket and the shop file that a part is read with, and how reports call the shop file."""

    ticket: Path | None
    shop: Path | None
    shop_called: str


def papers_of(path: Path, facts: Facts) -> Papers:
    """The papers of a part, looked for on the disk."""
    shop = find_shop(path.absolute().parent)
    return Papers(facts.ticket or find_ticket(path), shop, shop_name(shop))


def read_part(path: Path, facts: Facts, papers: Papers | None = None) -> OnTheBench:
    """Read a part with its ticket and shop file. Raises BadInput, in one line, for anything that cannot be used."""
    papers = papers or papers_of(path, facts)
    ticket_path, shop_path = papers.ticket, papers.shop
    ticket, ticket_told = read_ticket_told(ticket_path) if ticket_path is not None else (Ticket(), None)
    shop, shop_told = read_shop_told(shop_path) if shop_path is not None else (None, None)
    with fetching() as fetched:
        part = read(path, ticket, units=facts.flags.get("units"), shop_units=_shop_units(shop))
    flags = {**facts.flags, "repository": shop is not None}
    settings = gather(ticket, shop, flags, shop_name=papers.shop_called, rules=rooms())
    part = replace(part, ticket_path=ticket_path)
    return OnTheBench(part, settings, ticket_path, shop_path, papers.shop_called, ticket_told, shop_told, fetched)


def shop_name(path: Path | None) -> str:
    """How a report calls the shop file."""
    return path_text(path) if path is not None else "shop.toml"


def _shop_units(shop: Shop | None) -> str | None:
    return shop.part.units if shop is not None else None
