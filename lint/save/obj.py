"""OBJ: every point and face in order, coordinates to the last bit."""

from __future__ import annotations

from lint.save import said
from lint.save.text import floats, ints
from lint.terms import Part


def encode(part: Part) -> bytes:
    """The bytes."""
    pieces = [f"# {said(part)}\n", *floats("v %s %s %s\n", part.vertices), *ints("f %d %d %d\n", part.faces + 1)]
    return "".join(pieces).encode("ascii")
