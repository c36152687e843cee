"""Tickets, shop files and ledgers: found beside and above the parts, read strictly, written as TOML.

Strict means that an unknown key, a wrong type or a value out of range is `BadInput` with the file, the table, the key, the line
where it can be found, and what is wanted. The types are in lint/ticket.py; JSON Schemas are made from the same types.
"""

from __future__ import annotations

import datetime
import hashlib
import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, TypeVar

import msgspec

from lint.load import path_shown
from lint.load.doors import read_bytes
from lint.load.raw import Fault
from lint.load.toml import Lines, tables, to_toml
from lint.terms import BadInput
from lint.ticket import Accepted, Ledger, Length, Shop, Ticket

SHOP, LEDGER, ENDING = "shop.toml", "ledger.toml", ".ticket.toml"
_LONGEST = 4 << 20
Kind = TypeVar("Kind", Ticket, Shop, Ledger)


def find_ticket(part: Path) -> Path | None:
    """The ticket of a part: `nose.stl.ticket.toml` before `nose.ticket.toml`, in the part's folder. None when there is none."""
    for name in (part.name + ENDING, part.stem + ENDING):
        if os.path.exists(os.path.join(part.parent, name)):
            return part.with_name(name)
    return None


def find_shop(start: Path) -> Path | None:
    """The nearest shop.toml in the folder of `start` (or `start` itself when it is one) or above."""
    start = start.resolve()
    for folder in (start, *start.parents):
        if (candidate := folder / SHOP).is_file():
            return candidate
    return None


def read_ticket(path: Path) -> Ticket:
    """Read a ticket. Raises BadInput, one line, for the first thing wrong in it."""
    return _read(path, Ticket)


def read_shop(path: Path) -> Shop:
    """Read a shop file. Raises BadInput; its rule tables are checked later, against the rules they name."""
    return _read(path, Shop)


def read_ticket_told(path: Path) -> tuple[Ticket, str]:
    """A ticket with the SHA-256 of the very bytes it was read from. Raises BadInput as `read_ticket` does."""
    data = _data(path)
    return _decode(_text(data, path), path, Ticket), hashlib.sha256(data).hexdigest()


def read_shop_told(path: Path) -> tuple[Shop, str]:
    """A shop file with the SHA-256 of the very bytes it was read from. Raises BadInput as `read_shop` does."""
    data = _data(path)
    return _decode(_text(data, path), path, Shop), hashlib.sha256(data).hexdigest()


def read_ledger(path: Path) -> Ledger:
    """Read a ledger; one that does not exist is empty. Raises BadInput."""
    return _read(path, Ledger) if path.exists() or path.is_symlink() else Ledger()


def ticket_text(ticket: Ticket, comments: Mapping[str, str] | None = None) -> str:
    """A ticket as TOML. comments: text by place: "" at the top, "print" above a table, "print.nozzle" above a key.

    A comment for a key or table that the ticket does not fill stands where it would be, so that the maker can fill it in.
    """
    names = tuple(f.encode_name for f in msgspec.structs.fields(Ticket))
    return to_toml({"length": [], "caliper": [], **msgspec.to_builtins(ticket)}, comments or {}, names)


def write_ticket(path: Path, ticket: Ticket, *, header_comment: str = "") -> None:
    """Write a ticket, whole, by a temporary name swapped in. What stood in the file before is gone: see `add_lengths`."""
    from lint.save.atomic import locked, swap_in

    text = ticket_text(ticket, {"": header_comment} if header_comment else {})
    with locked(path):
        swap_in(path, text.encode())


def write_ledger(path: Path, ledger: Ledger) -> None:
    """Write a ledger, whole, by a temporary name swapped in. To add an entry, `add_accepted` keeps what others wrote."""
    from lint.save.atomic import locked, swap_in

    with locked(path):
        swap_in(path, to_toml(msgspec.to_builtins(ledger), {}).encode())


def add_accepted(path: Path, entries: Sequence[Accepted]) -> None:
    """Add entries at the end of a ledger, under a lock; what stands there, comments too, stays as it is."""
    _add(path, Ledger, {"accepted": [msgspec.to_builtins(e) for e in entries]})


def add_lengths(path: Path, lengths: Sequence[Length], *, header_comment: str = "") -> None:
    """Add reference lengths at the end of a ticket, under a lock; what stands there, comments too, stays as it is."""
    _add(path, Ticket, {"length": [msgspec.to_builtins(x) for x in lengths]}, header_comment)


def _add(path: Path, kind: type[Kind], added: dict[str, Any], header: str = "") -> None:
    from lint.save.atomic import locked, swap_in

    with locked(path):
        if path.exists():
            old = _text(_data(path), path)
            _decode(old, path, kind)
            text = old + ("" if old.endswith("\n") or not old else "\n") + ("\n" if old else "") + to_toml(added, {})
        else:
            text = to_toml(added, {"": header} if header else {})
        _decode(text, path, kind)
        swap_in(path, text.encode())


def schemas() -> dict[str, dict[str, Any]]:
    """JSON Schemas (2020-12) of the ticket, the shop file and the ledger, made from the types."""
    found: dict[str, dict[str, Any]] = {}
    for name, kind in (("ticket", Ticket), ("shop", Shop), ("ledger", Ledger)):
        schema = msgspec.json.schema(kind)
        found[name] = {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"buckwright {name}", **schema}
    return found


def _data(path: Path) -> bytes:
    try:
        return read_bytes(path, _LONGEST)
    except Fault as fault:
        raise BadInput(f"{path_shown(path)}: {fault}") from None


def _text(data: bytes, path: Path) -> str:
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise BadInput(f"{path_shown(path)}: line {line}: it is not UTF-8 text; save it as UTF-8") from None


def _read(path: Path, kind: type[Kind]) -> Kind:
    return _decode(_text(_data(path), path), path, kind)


def _decode(text: str, path: Path, kind: type[Kind]) -> Kind:
    from lint.load.strict import Wrong, check

    said = tables(text, path_shown(path))
    try:
        check(said, kind)
        found = msgspec.convert(_plain_dates(said), kind)
        _check_sense(found)
    except Wrong as wrong:
        place, line = wrong.place, Lines(text).find(wrong.where)
        raise BadInput(f"{path_shown(path)}: {place}{f' (line {line})' if line else ''}: {wrong}") from None
    except msgspec.ValidationError as error:
        raise BadInput(f"{path_shown(path)}: {str(error)[:1].lower()}{str(error)[1:]}") from None
    return found


def _plain_dates(value: Any) -> Any:
    """TOML dates as text (`until = 2027-01-31` as well as in quotes)."""
    if isinstance(value, dict):
        return {k: _plain_dates(v) for k, v in value.items()}
    if isinstance(value, list):
        return [_plain_dates(v) for v in value]
    return value.isoformat() if isinstance(value, datetime.date) else value


def _check_sense(found: Ticket | Shop | Ledger) -> None:
    """What types cannot say. What a ticket says readably but wrongly (a length of nothing) is for its own rule to judge."""
    from lint.load.strict import Wrong

    if isinstance(found, Ledger):
        for k, entry in enumerate(found.accepted):
            _check_accepted(entry, ("accepted", k))
        return
    for k, crop in enumerate(found.fix.crop):
        box, plane = (crop.low, crop.high), (crop.point, crop.away)
        if (None in box) == (None in plane) or any(x is not None for x in (plane if None not in box else box)):
            raise Wrong(("fix", "crop", k), "write either low and high (a box to keep), or point and away (a plane to cut at)")
    if isinstance(found, Shop) and found.use.pull is not None and not any(found.use.pull):
        raise Wrong(("use", "pull"), "all three are zero, which is no direction; write one, such as [0, 0, 1]")


def _check_accepted(entry: Accepted, where: tuple[str | int, ...]) -> None:
    from lint.load.strict import Wrong

    if not entry.because.strip():
        raise Wrong((*where, "because"), "a finding is accepted for a reason; write it here")
    if entry.until is not None and not _is_date(entry.until):
        raise Wrong((*where, "until"), f'{entry.until!r} is not a date; write it as until = "2027-01-31"')
    if entry.reach < 0:
        raise Wrong((*where, "reach"), f"{entry.reach:g}: write a number of mm, zero or more")
    if entry.rule < 1:
        raise Wrong((*where, "rule"), f"{entry.rule}: write the number of a rule; `buckwright rules` lists them")


def _is_date(text: str) -> bool:
    try:
        datetime.date.fromisoformat(text)
    except ValueError:
        return False
    return True
