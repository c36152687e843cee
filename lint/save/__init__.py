"""Writers, one file a format. The same part gives the same bytes, whatever the day or the machine.

What a format keeps: 3MF, PLY, OBJ and OFF keep every coordinate to the last bit; STL and GLB keep 32-bit floats (about 0.00003 mm
at 300 mm). In all of them points that were one stay one.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from lint.load import path_shown
from lint.save.atomic import swap_in
from lint.terms import BadInput, Part

__all__ = ["SUFFIXES", "encode", "encode_for", "swap_in", "write_part"]

_WRITERS = {".3mf": "threemf", ".stl": "stl", ".obj": "obj", ".ply": "ply", ".glb": "glb", ".off": "off"}
SUFFIXES: tuple[str, ...] = tuple(_WRITERS)
_NEED_UNITS = (".3mf", ".glb")


def encode(part: Part, suffix: str) -> bytes:
    """A part as the bytes of a file. Raises BadInput when the format is not written or cannot hold the part."""
    suffix = suffix.lower()
    if suffix not in _WRITERS:
        raise BadInput(f"{suffix or 'a name without a suffix'} is not written; it takes {', '.join(SUFFIXES)}")
    if not len(part.faces):
        raise BadInput("there are no faces to write")
    if not np.isfinite(part.vertices).all() or part.faces.min() < 0 or part.faces.max() >= len(part.vertices):
        raise BadInput("it has points that are not finite, or faces with corners that do not exist, and cannot be written")
    if part.units is None and suffix in _NEED_UNITS:
        raise BadInput(f'a {suffix} says its unit, and this part has none; write units = "mm" (or cm, m, in) in the ticket, or use --units')
    data: bytes = importlib.import_module(f"lint.save.{_WRITERS[suffix]}").encode(part)
    return data


def encode_for(part: Part, path: Path) -> bytes:
    """A part as the bytes that the file `path` is to hold. Raises BadInput with the file's name."""
    try:
        return encode(part, path.suffix)
    except BadInput as reason:
        raise BadInput(f"{path_shown(path)}: {reason}") from None


def write_part(part: Part, path: Path, *, inputs: Iterable[Path] = (), over_inputs: bool = False) -> None:
    """Write a part to a file, whole or not at all. Raises BadInput with the file's name; see `swap_in` for `inputs`."""
    swap_in(path, encode_for(part, path), inputs=inputs, over_inputs=over_inputs)


def said(part: Part) -> str:
    """The one line about units that text headers carry."""
    return "buckwright, lengths in mm" if part.units is not None else "buckwright, unit of length not known"
