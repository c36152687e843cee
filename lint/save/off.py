"""OFF, as text: every point and face in order, coordinates to the last bit."""

from __future__ import annotations

from lint.save.text import floats, ints
from lint.terms import Part


def encode(part: Part) -> bytes:
    """The bytes. No remark, although the format has them: not every reader takes one."""
    head = f"OFF\n{len(part.vertices)} {len(part.faces)} 0\n"
    return "".join([head, *floats("%s %s %s\n", part.vertices), *ints("3 %d %d %d\n", part.faces)]).encode("ascii")
