"""OFF, as text: every point and face in order, coordinates to the last bit."""

from __future__ import annotations

from lint.save import said
from lint.save.text import floats, ints
from lint.terms import Part


def encode(part: Part) -> bytes:
    """The bytes. The remark stands after the counts, because some readers want the first word to be OFF."""
    head = f"OFF\n{len(part.vertices)} {len(part.faces)} 0\n# {said(part)}\n"
    return "".join([head, *floats("%s %s %s\n", part.vertices), *ints("3 %d %d %d\n", part.faces)]).encode("ascii")
