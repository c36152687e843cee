"""Two holes for every sealed cavity: straight up from the base, or else from there at a slant or with bends, or else through the side."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from lint.measure import Survey
from lint.measure.cups import dips
from lint.measure.hollows import Cavity
from lint.settings import Settings
from lint.shape.block import Block, block_of
from lint.shape.channels import channels
from lint.shape.drill import Bore, Shaft, drilled
from lint.shape.holes import WIDTHS, holes_for, plan_of
from lint.shape.side_hole import SideHole, with_side_holes
from lint.shape.verify import sound
from lint.terms import Declined, Part, Touch

POOL = 0.3  # mm: a dip of the floor shallower than this wets but does not hold
# What stays on the floors is little up to this, mm3, or up to this share of the hollows (common practice, no source).
LITTLE = 1000.0
LITTLE_SHARE = 0.02

Hole = Shaft | Bore


@dataclass(frozen=True)
class Opened:
    """groups: the two holes of each cavity; part and after: the part with them and its measurements; pool: what stays in it, mm3."""

    groups: tuple[tuple[Hole, ...], ...]
    part: Part
    after: Survey
    pool: float

    @property
    def holes(self) -> tuple[Hole, ...]:
        """All holes."""
        return tuple(hole for group in self.groups for hole in group)


def opened(part: Part, survey: Survey, cavities: Sequence[Cavity], settings: Settings) -> Opened:
    """The part with two holes into each of its sealed cavities. Raises Declined, naming the cavity, when one cannot be reached.

    Where a way from the base ends so high in a cavity that liquid stays under it, holes through the low side are taken instead, if the
    skin may be cut and at least half of what would stay runs out then.
    """
    digger = _Digger(survey, cavities, float(settings.wall), settings.process == "extrusion", settings.allow >= Touch.SKIN)
    best = _cut(part, survey, digger.holes())
    little = max(LITTLE, LITTLE_SHARE * sum(c.volume for c in cavities))
    if best.pool > little and digger.sides and any(isinstance(h, Bore) and not isinstance(h, SideHole) for h in best.holes):
        try:
            other = _cut(part, survey, replace(digger, low_first=True, taken=[]).holes())
        except Declined:
            return best
        if other.pool < best.pool / 2:
            return other
    return best


def _cut(part: Part, survey: Survey, groups: tuple[tuple[Hole, ...], ...]) -> Opened:
    new = drilled(part, survey.get("skin"), [h for group in groups for h in group], survey.get("contact").lowest)
    after = sound(new, "the drained part")
    return Opened(groups, new, after, pooled(survey, after))


def pooled(before: Survey, after: Survey) -> float:
    """Liquid that stays in the drained hollows when the part stands on its base, mm3: dips that are none of the outer skin's."""
    was = before.get("skin")
    outside = {tuple(p) for p in was.vertices[np.unique(was.faces[~before.get("hollows").hidden])].tolist()}
    return sum(c.volume for c in dips(after.get("skin"), after.get("edges"), POOL) if c.deepest not in outside)


@dataclass
class _Digger:
    """Finds the holes of a part. peaked: roofs must hold themselves up; sides: the skin may be cut; low_first: ... and is, before a way
    from the base is looked for; taken: holes there already, to which new ones keep the wall."""

    survey: Survey
    cavities: Sequence[Cavity]
    wall: float
    peaked: bool
    sides: bool
    low_first: bool = False
    taken: list[Bore] = field(default_factory=list)

    def holes(self) -> tuple[tuple[Hole, ...], ...]:
        """The holes of each cavity, in order. Raises Declined, naming the cavity and saying why, when one of them gets none."""
        plan = plan_of(self.survey)
        found: dict[int, tuple[Hole, ...]] = {}
        why: dict[int, str] = {}
        for cavity in self.cavities:
            try:
                upright = holes_for(cavity.shell, plan, self.survey, self.wall)
            except Declined as reason:
                why[cavity.shell] = str(reason)
                continue
            found[cavity.shell] = tuple(upright)
            self.taken += [Bore(np.array([[s.x, s.y, s.bottom], [s.x, s.y, s.top]]), s.radius, 1.0) for s in upright]
        if why:
            block = block_of(self.survey, self.wall + WIDTHS[-1] / 2, self.wall + WIDTHS[0] / 2)
            for cavity in self.cavities:
                if cavity.shell in why:
                    found[cavity.shell] = self._led(block, cavity, why[cavity.shell])
        return tuple(found[c.shell] for c in self.cavities)

    def _led(self, block: Block, cavity: Cavity, why: str) -> tuple[Hole, ...]:
        holes: list[Bore] = []
        if self.low_first:
            holes = with_side_holes(block, cavity.shell, WIDTHS, self.wall, self.taken, [], self.peaked)
        if len(holes) < 2:
            holes = channels(block, cavity.shell, WIDTHS, self.wall, self.taken, self.peaked)
        if len(holes) < 2 and self.sides:
            holes = with_side_holes(block, cavity.shell, WIDTHS, self.wall, self.taken, holes, self.peaked)
        if len(holes) < 2:
            raise Declined(self._shut(cavity, why, len(holes)))
        self.taken += holes
        return tuple(holes)

    def _shut(self, cavity: Cavity, why: str, holes: int) -> str:
        """Which cavity stays shut and why, with its sizes."""
        skin, label = self.survey.get("skin"), self.survey.get("shells").label
        height = float(skin.vertices[skin.faces[label == cavity.shell]][..., 2].min()) - self.survey.get("contact").lowest
        which = "the hollow" if len(self.cavities) == 1 else f"one of {len(self.cavities)} hollows, that"
        side = "through the side neither" if self.sides else "through the side the skin would be cut, and only the inside is allowed"
        rest = "" if len(self.cavities) == 1 else "; none is opened while one stays shut"
        return (
            f"{which} of {cavity.volume / 1000:.1f} cm3 with its floor {height:.0f} mm above the base cannot be drained: {why}; "
            f"at a slant or with bends {'only one hole' if holes else 'no hole'} of {WIDTHS[-1]:.1f} mm gets there from the base "
            f"with {self.wall:.1f} mm of wall around it; {side}{rest}"
        )
