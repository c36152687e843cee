"""No keys: nothing locates the buck on its board, or the mould on the buck.

At the bench: a buck that turns on its board while it is sculpted, or a mould half that can be put back a millimetre off, spoils the edge.
Round sockets or pegs on the base and the land put everything back where it was.
How it is measured: round blind sockets and round pegs, 3 to 30 mm wide and 1 to 20 mm deep, in the base and in the land around the
feature. Drain holes do not count.
Limit: three that do not lie in a line (round keys without undercut, from a book on the trade; the count is common practice, no source).
What mends it: key, asked for by the maker.
When it is wrong: a buck screwed or glued to its board needs none.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np

from lint.measure.base_loops import BaseLoops, Loop
from lint.measure.contact import Contact
from lint.measure.shells import around_points
from lint.measure.surface import Skin
from lint.terms import Finding, Limit, Rule, Weight

rule = Rule(
    number=54,
    name="no keys",
    weight=Weight.NOTE,
    unit="keys",
    cases={
        "few": "{measured:.0f} {unit} in the base and the land, and it takes {limit:.0f} to put the buck or the mould back in its place",
        "in a line": "{measured:.0f} {unit} lie in a line, so the buck can still rock about it",
    },
    limits={"keys": Limit(3.0, "keys", "facts 2.2.8: round, no undercut, from a book on the trade; the count is common practice")},
    needs=("units",),
    after=(4, 5, 7, 8, 34),
    fix="key",
    upright=True,
)


@rule.find
def find(skin: Skin, contact: Contact, base_loops: BaseLoops, limits: Mapping[str, float]) -> Iterator[Finding]:
    """At most one finding, for the base."""
    keys = [loop for loop in (*base_loops.base, *base_loops.land) if _is_key(loop)]
    place = around_points(skin.vertices[np.unique(skin.faces[contact.faces])], contact.faces)
    if len(keys) < limits["keys"]:
        yield rule.finding("few", len(keys), limits["keys"], place=place)
        return
    at = np.array([(k.x, k.y) for k in keys])
    spread = np.linalg.svd(at - at.mean(axis=0), compute_uv=False)
    if spread[1] < 0.05 * spread[0]:
        yield rule.finding("in a line", len(keys), limits["keys"], place=place)


def _is_key(loop: Loop) -> bool:
    return not loop.outer and loop.round > 0.9 and loop.blind and 3.0 <= loop.width <= 30.0 and 1.0 <= loop.step <= 20.0
