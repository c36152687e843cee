"""A fix done over from its record: the same file, the same facts and the same version give the same bytes.

The record holds the whole ticket and every setting as they were, so that neither a changed ticket nor a changed shop file beside the
part has a say.
"""

from __future__ import annotations

import importlib.metadata
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import msgspec

from lint import __version__, loops
from lint.commands.shelves import OnTheBench
from lint.load import read
from lint.report.data import FORMAT
from lint.settings import EDITION, Settings, Tuning
from lint.terms import BadInput, Touch, Weight
from lint.ticket import Ticket

# The packages that geometry comes from: another version of one of them may round in another way.
GEOMETRY = ("numpy", "scipy", "manifold3d", "libigl", "scikit-image", "embreex")


def made_with() -> dict[str, str | None]:
    """The versions of the packages that geometry comes from, and of our own compiled loops; None for what is not there."""
    return {**{name: _version(name) for name in GEOMETRY}, "compiled loops": __version__ if loops.there() else None}


def _version(name: str) -> str | None:
    try:
        return importlib.metadata.version(name)
    except importlib.metadata.PackageNotFoundError:
        return None


def given_data(bench: OnTheBench, settings: Settings) -> dict[str, Any]:
    """Everything besides the file that a fix went by, as plain data for the record."""
    part = bench.part
    return {
        "ticket": msgspec.to_builtins(part.ticket) if part.ticket_path is not None else None,
        "units": {"value": part.units, "set_by": part.units_from},
        "settings": _settings_data(settings),
        "made_with": made_with(),
    }


def _settings_data(settings: Settings) -> dict[str, Any]:
    data: dict[str, Any] = msgspec.to_builtins(replace(settings, tuning={}))
    data["allow"] = settings.allow.word
    data["tuning"] = {
        str(number): {**msgspec.to_builtins(replace(t, weight=None)), "weight": t.weight.word if t.weight else None}
        for number, t in settings.tuning.items()
    }
    return data


def read_again(path: Path, record: Path) -> tuple[OnTheBench, dict[str, Any]]:
    """The part on the bench as it was when the record was made, and the record.

    Raises BadInput when that is no record of a fix, of another version, of another file, or too old to hold the facts.
    """
    data = _read_record(record)
    version, edition = data["tool"]["version"], data["tool"]["edition"]
    if (version, edition) != (__version__, EDITION):
        raise BadInput(
            f"{record}: it was made by version {version}, edition {edition}; this is version {__version__}, edition {EDITION}, "
            "and the same bytes cannot be promised: mend the part anew, without --from-record"
        )
    given = data.get("given")
    if given is None:
        raise BadInput(f"{record}: it does not hold the facts of its run: mend the part anew, without --from-record")
    try:
        ticket = msgspec.convert(given["ticket"] or {}, Ticket)
        settings = _settings_of(given["settings"])
        units, units_from = given["units"]["value"], given["units"]["set_by"]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise BadInput(f"{record}: its facts have been changed and cannot be read ({error}): mend the part anew") from error
    part = read(path, ticket, units=units)
    if part.source.sha256 != data["input"]["sha256"]:
        raise BadInput(
            f"{path}: this is not the file that {record.name} was made from (its fingerprint is {part.source.sha256[:12]}..., "
            f"not {str(data['input']['sha256'])[:12]}...): give the file it was made from, {data['input']['name']}"
        )
    # The ticket of this run is what the record holds of it.
    ticket_path = record if given["ticket"] is not None else None
    return OnTheBench(replace(part, units_from=units_from, ticket_path=ticket_path), settings, None, None), data


def _read_record(record: Path) -> dict[str, Any]:
    try:
        data: dict[str, Any] = json.loads(record.read_bytes())
        if data["format"] == FORMAT and data["tool"]["name"] == "buckwright" and data["output"] and data["input"]["sha256"]:
            return data
    except OSError as error:
        raise BadInput(f"{record}: could not be read: {error.strerror or error}") from error
    except (ValueError, KeyError, TypeError):
        pass  # said below
    raise BadInput(f"{record}: this is no record of a fix: give the .record.json that was written beside the mended part")


def _settings_of(data: dict[str, Any]) -> Settings:
    tuning = {
        int(number): Tuning(t["because"], t["limits"], Weight[t["weight"].upper()] if t["weight"] else None, t["off"], t["set_by"])
        for number, t in data["tuning"].items()
    }
    plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in data.items() if k not in ("tuning", "allow")}
    return Settings(**plain, allow=Touch[data["allow"].upper()], tuning=tuning)


def compared(record: dict[str, Any], out: Path, sha256: str) -> str:
    """Whether the part came out as recorded, in a sentence."""
    if sha256 == record["output"]["sha256"]:
        return "the part is the recorded one again, byte for byte"
    if out.suffix.lower() != Path(str(record["output"]["name"])).suffix.lower():
        return "written in another format than the recorded part, so their bytes cannot be compared"
    was, now = record["given"].get("made_with") or {}, made_with()
    other = [f"{name} was {was.get(name)} and is {now[name]}" for name in now if now[name] != was.get(name)]
    return "the part is NOT the recorded one, byte for byte" + (f": {', '.join(other)}" if other else "")
