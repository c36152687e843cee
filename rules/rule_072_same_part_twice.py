"""Same part twice: another file of the shelf holds the same skin again.

At the bench: two files of one heron beak, and in a year somebody mends one and prints the other. A shelf says a thing once.
How it is measured: every part has a signature, numbers taken from how its skin is spread about its middle; they stay the same when it
    is moved, turned, mirrored, renumbered, cut into other faces or written in another format or unit. Parts of one signature are laid
    on each other, and the largest distance between the two skins, either way, settles it (measured at 20,000 points evenly spread
    and at the corners of the faces). What had to be done to lay them together is said: moved, turned, mirrored, another unit.
Limit: 0.01 % of the part's diagonal, 0.01 mm in a hand: more than any format rounds off, far less than two scans of one ear differ
    (phone and studio scans of a face: about 3 mm). Never less than 32-bit numbers can hold at the part's distance from the origin.
    A copy made 1 % larger is another part; one that is larger by the ratio of two units is the same. Of many alike, the four nearest
    are named. Chosen for this project.
What mends it: keep the file with the better ticket and take the other away; no fix does that for you.
When it is wrong: a copy kept on purpose, as the untouched scan beside the mended one. Accept it in the ledger with that reason. A pair is
    not called a copy when a ticket names the other as its pair, or when one ticket says left, the other right, and one mirrors the other. A
    ball, and whatever else is round all about or has dozens of equal teeth, may be missed when it was turned: nothing tells how far.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from lint.measure.alignment import Surface
from lint.measure.alike import Same, deliberate, index_of, laid, suspects
from lint.measure.moments import Signature
from lint.measure.surface import Extent
from lint.terms import Finding, Limit, Part, Pick, Rule, Weight

if TYPE_CHECKING:
    from lint.shelf import Shelf

CONCERNED = Pick("signature", index_of, suspects)

rule = Rule(
    number=72,
    name="same part twice",
    weight=Weight.NOTE,
    unit="mm",
    cases={
        "again": "{other} is this part again{how}: the two skins are nowhere more than {measured:.2g} {unit} apart",
        "mirrored": "{other} is this part again, mirrored{how}: the two skins are nowhere more than {measured:.2g} {unit} apart; "
        "if they are left and right on purpose, say so under side or pair in the tickets",
    },
    limits={"share": Limit(0.01, "% of the diagonal", "chosen for this project: above the rounding of file formats, below that of scans")},
    picks=(CONCERNED,),
)

# Copies beyond these add nothing: each of them is told of by its own file.
_NAMED = 4


@rule.find
def find(part: Part, signature: Signature, extent: Extent, shelf: Shelf, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding for each part that is this one again, up to four."""
    here = part.source.path
    shelf.require_others(part)
    surface: Surface | None = None
    for suspect in shelf.picked(CONCERNED, here, signature)[:_NAMED]:
        if deliberate(here, signature, suspect, mirrored=False):
            continue
        limit = max(limits["share"] / 100 * extent.diagonal, 2 * (signature.coarse + suspect.factor * suspect.signature.coarse))
        copied = suspect.signature.sha256 == signature.sha256
        if copied:
            same: Same | None = Same(0.0, moved=False, turned=False, mirrored=False)
        else:
            surface = surface or Surface(part.vertices, part.faces)
            same = laid(surface, shelf.part(suspect.path), suspect.factor, limit)
        if same is None or deliberate(here, signature, suspect, mirrored=same.mirrored):
            continue
        other = os.path.relpath(suspect.path, here.parent)
        yield rule.finding("mirrored" if same.mirrored else "again", same.most, limit, unit=part.length_unit, sampled=not copied,
                           other=other, how=(", byte for byte" if copied else "") + _how(same, suspect.factor))  # fmt: skip


def _how(same: Same, factor: float) -> str:
    words = [word for word, did in (("moved", same.moved), ("turned", same.turned)) if did]
    if factor != 1:
        words.append(f"in another unit, {max(factor, 1 / factor):.6g} times as {'small' if factor > 1 else 'large'}")
    return f", {' and '.join(words)}" if words else ""
