"""Readers, one file a format. They repair nothing and keep what the file really said.

No point is merged, moved apart from unit and axis, or dropped; no face is dropped or turned. Faces of more than three corners are cut
into triangles and counted. What a file says wrongly but readably (a number that is not finite, a corner that does not exist) is
handed on for rule 1 to judge; everything else that is wrong is `BadInput`: one line with the file, the place and what to do.
"""

from __future__ import annotations

import importlib
from pathlib import Path

from lint.load.doors import read_bytes
from lint.load.raw import Context, Fault, LoadLimits, Raw
from lint.terms import MM_PER_UNIT, BadInput, Part, Source
from lint.ticket import Ticket

__all__ = ["SUFFIXES", "LoadLimits", "read", "read_data"]

_READERS = {".stl": "stl", ".obj": "obj", ".ply": "ply", ".glb": "gltf", ".gltf": "gltf", ".3mf": "threemf", ".off": "off"}
SUFFIXES: tuple[str, ...] = tuple(_READERS)
_LIMITS = LoadLimits()
_TOO_LARGE = "there is not enough memory for it; thin it out first"

# glTF stands +Y up; a quarter turn about x sets it on the bed, +Z up: (x, y, z) -> (x, -z, y).
_Y_UP_TO_Z_UP = [[1.0, 0, 0, 0], [0, 0, -1.0, 0], [0, 1.0, 0, 0], [0, 0, 0, 1.0]]


def read(
    path: Path,
    ticket: Ticket | None = None,
    *,
    units: str | None = None,
    shop_units: str | None = None,
    limits: LoadLimits = _LIMITS,
) -> Part:
    """Read one part. Raises BadInput, one line, for anything that cannot be read.

    units: what a flag says; it wins over the ticket, the ticket over the file, the file over shop_units. When one of them
    speaks, `vertices` are mm and the scale is in `placement`; when none does, they are the file's own numbers.
    """
    path = Path(path)
    try:
        data = read_bytes(path, limits.max_bytes)
    except Fault as fault:
        raise BadInput(f"{path_shown(path)}: {fault}") from None
    except MemoryError:
        raise BadInput(f"{path_shown(path)}: {_TOO_LARGE}") from None
    return read_data(data, path, ticket, units=units, shop_units=shop_units, limits=limits)


def read_data(
    data: bytes,
    path: Path,
    ticket: Ticket | None = None,
    *,
    units: str | None = None,
    shop_units: str | None = None,
    limits: LoadLimits = _LIMITS,
) -> Part:
    """Read one part from the bytes that are, or will be, the file `path`. Raises BadInput as `read` does."""
    ticket = ticket or Ticket()
    try:
        reader = path.suffix.lower()
        if reader not in _READERS:
            raise Fault(f"{path.suffix or 'a file without a suffix'} is not read; it takes {', '.join(SUFFIXES)}")
        if not data:
            raise Fault("it is empty; copy or export it again")
        with _Digest(data) as digest:
            raw: Raw = importlib.import_module(f"lint.load.{_READERS[reader]}").parse(data, Context(path, limits))
        return _part(raw, path, digest.hex, len(data), ticket, _told(raw, ticket, units, shop_units))
    except Fault as fault:
        raise BadInput(f"{path_shown(path)}: {fault}") from None
    except MemoryError:
        raise BadInput(f"{path_shown(path)}: {_TOO_LARGE}") from None


def path_shown(path: Path) -> str:
    """A path fit for one line: what cannot be printed is escaped."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape", "surrogatepass").decode("ascii") for c in str(path))


def _told(raw: Raw, ticket: Ticket, flag: str | None, shop: str | None) -> tuple[str | None, str]:
    """The unit, and who told it. The shop file speaks last: it is a default for files that say nothing."""
    for unit, who in ((flag, "--units"), (ticket.part.units, "the ticket"), (raw.units, raw.units_from), (shop, "shop.toml")):
        if unit is not None:
            if unit not in MM_PER_UNIT:
                raise Fault(f"{who} says its unit is {unit!r}; it takes {', '.join(MM_PER_UNIT)}")
            return unit, who
    return None, ""


def _part(raw: Raw, path: Path, sha256: str, size: int, ticket: Ticket, told: tuple[str | None, str]) -> Part:
    import numpy as np

    units, units_from = told
    placement = np.array(_Y_UP_TO_Z_UP) if raw.y_up else np.eye(4)
    vertices = raw.vertices
    if raw.y_up:
        vertices = np.stack((vertices[:, 0], -vertices[:, 2] + 0.0, vertices[:, 1]), axis=1)
    scale = MM_PER_UNIT[units] if units is not None else 1.0
    if scale != 1.0:
        with np.errstate(over="ignore", invalid="ignore"):
            vertices = vertices * scale
        placement[:3] *= scale
    source = Source(path, raw.format, sha256, size, raw.texts, raw.attachments, raw.split_polygons, raw.objects)
    faces = np.ascontiguousarray(raw.faces, dtype=np.int64)
    return Part(np.ascontiguousarray(vertices, dtype=np.float64), faces, source, units, units_from, placement, ticket)


class _Digest:
    """The SHA-256 of the bytes, worked out beside the parsing (hashlib lets other threads run)."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self.hex = ""

    def __enter__(self) -> _Digest:
        import threading

        self._thread = threading.Thread(target=self._work)
        self._thread.start()
        return self

    def _work(self) -> None:
        import hashlib

        self.hex = hashlib.sha256(self._data).hexdigest()

    def __exit__(self, *_: object) -> None:
        self._thread.join()
