"""Mark: side, part and true size cut into the underside of the base, to be read from below."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from lint.measure import Survey
from lint.measure.columns import Grid, crossings, grid_around
from lint.settings import Settings
from lint.shape.drill import part_from, solid_of
from lint.shape.lettering import drawn, size, spelt
from lint.shape.placing import Placed, placed
from lint.shape.verify import sound
from lint.terms import BoolArray, Declined, Fix, FloatArray, Job, NotYet, Part, Promise, Shaped, Touch, Zone

fix = Fix(
    name="mark",
    touch=Touch.SKIN,
    does="cuts side, part and true size into the underside of the base, to be read from below; the sculpted skin stays",
    on_demand=True,
)

# Grooves 0.4 to 0.6 mm wide and deep print (facts 1.2.14, 1.5.12); a nozzle and a half, so that a wide nozzle does not bridge them shut;
# three layers, so that one is left when the first is squeezed broad (common practice, no source).
WIDTH, NOZZLES = 0.6, 1.5
DEPTH, LAYERS = 0.6, 3.0
# A capital under six grooves high closes up: its middle stroke lies two and a half grooves from the others (derived).
LEAST_HEIGHT = 6.0
LEAST_BASE = 25.0
UNEVEN = 0.15  # mm: how far the base may rise and still be base, and some
LINES = 250_000
FINEST = 0.4
TRIES = 6
LONGEST_CODE, SHORT_CODE = 16, 6


@dataclass(frozen=True)
class Words:
    """words: what is cut, in order; lost: signs that have no letter; from_name: whether the file's name gave the code."""

    words: tuple[str, ...]
    lost: str
    from_name: bool


def groove(settings: Settings) -> tuple[float, float]:
    """Width and depth of the narrowest groove that prints, mm."""
    return max(WIDTH, NOZZLES * settings.nozzle), max(DEPTH, LAYERS * settings.layer)


@fix.make
def make(job: Job) -> Shaped:
    """A new part with the mark in its base. Raises Declined when there is no base, no room, or a mark already."""
    part, survey, settings = job.part, job.survey, job.settings
    if part.units is None:
        raise Declined("the units are not known, so a mark cannot say the size")
    contact = survey.get("contact")
    if contact.area < LEAST_BASE:
        raise NotYet("there is no flat base to cut a mark into: seat it first")
    if survey.get("base_loops").letters:
        raise Declined("it is marked already")
    solid = solid_of(survey.get("skin"))
    words, place = _placed(survey, part, settings, solid)
    _, depth = groove(settings)
    new = part_from(part, solid - _grooves(place, contact.lowest, depth), survey.get("skin").vertices)
    after = sound(new, "the marked part")
    read = after.get("base_loops").letters
    if not read:
        raise Declined("the mark would not be read on this base")
    low, high = _box(place)
    return Shaped(
        part=new,
        promise=Promise(volume="less", clears=tuple({f.rule for f in job.findings if f.limit is None or read >= f.limit})),
        did=f"cut \"{' / '.join(place.lines)}\" into the base, to be read from below: letters {place.height:.1f} mm high, "
        f"grooves {place.stroke:.1f} mm wide and {depth:.1f} mm deep",
        zones=(Zone("box", "the mark in the base", 0.01, ((*low, contact.lowest), (*high, contact.lowest + depth))),),
        cautions=tuple(_cautions(words)),
    )


def _cautions(words: Words) -> Iterator[str]:
    if words.lost:
        yield f"left out of the mark, for want of such letters: {' '.join(words.lost)}"
    if words.from_name:
        yield (
            "the mark bears the name of the file: if that names a person who was scanned, give a code under [part] in the ticket instead, "
            "or ask them"
        )


def wordings(part: Part, longest: float) -> list[Words]:
    """What may be written, the fullest first: code, side and size; then with less of it. `longest`: the true size, mm."""
    said = part.ticket.part.code
    code, lost = spelt(said if said is not None else part.source.path.name.partition(".")[0])
    if said is None and len(code) > LONGEST_CODE:
        whole = code[: LONGEST_CODE + 1].replace(" ", "-").rfind("-")  # not in the middle of a word, where there is a gap
        code = code[: whole if whole > 0 else LONGEST_CODE].rstrip("-. ")
    side = {"left": "LEFT", "right": "RIGHT"}.get(part.ticket.part.side, "")
    number = f"{longest:.1f}"
    ways = [(code, side, f"{number} MM"), (code, side[:1], number)]
    if said is None:
        ways.append((code[:SHORT_CODE].rstrip("-. "), side[:1], number))
    ways.append(("", side[:1], number))
    return [Words(tuple(w for w in way if w), lost, said is None and bool(way[0])) for way in dict.fromkeys(ways)]


def true_size(survey: Survey) -> tuple[float, float]:
    """The longest of length, width and height, mm, and the way the length lies, degrees: of the least box seen from above, so that the
    part says the same however it is turned on its base."""
    footprint = survey.get("footprint")
    hull: FloatArray = footprint.hull
    along = np.roll(hull, -1, axis=0) - hull
    angle = np.arctan2(along[:, 1], along[:, 0])
    c, s = np.cos(angle), np.sin(angle)
    u = hull[None, :, 0] * c[:, None] + hull[None, :, 1] * s[:, None]
    v = hull[None, :, 1] * c[:, None] - hull[None, :, 0] * s[:, None]
    wide, deep = np.ptp(u, axis=1), np.ptp(v, axis=1)
    least = int(np.argmin(wide * deep))
    turn = float(np.degrees(angle[least])) + (90.0 if deep[least] > wide[least] else 0.0)
    return max(float(wide[least]), float(deep[least]), float(footprint.height)), turn


def _placed(survey: Survey, part: Part, settings: Settings, solid: Any) -> tuple[Words, Placed]:
    """The fullest wording that fits and where, proved against the solid itself. Raises Declined when none does."""
    longest, turn = true_size(survey)
    stroke, depth = groove(settings)
    wall = float(settings.wall)
    # From the corner of a groove to skin that begins a wall above the base or higher it is then nowhere less than a wall.
    clear = max(2 * settings.nozzle, float(np.sqrt(max(depth * (2 * wall - depth), 0.0))))
    free, grid = free_base(survey, depth + wall, clear)
    step, low = float(grid.pitch[0]), grid.low[:2]
    least = LEAST_HEIGHT * stroke
    contact = survey.get("contact")
    for words in wordings(part, longest):
        for _ in range(TRIES):
            place = placed(free, low, step, words.words, least, stroke, turn)
            if place is None:
                break
            short = _short_of(place, solid, contact.lowest, depth + wall, clear)
            if short is None:
                return words, place
            first = np.clip(np.floor((short[0] - low) / step).astype(int), 0, None)
            last = np.ceil((short[1] - low) / step).astype(int) + 1
            free[first[1] : last[1], first[0] : last[0]] = False
    raise Declined(
        f"letters {least:.1f} mm high do not fit on the base where {depth + wall:.1f} mm of material lie over it "
        f"(a groove of {depth:.1f} mm and a wall of {wall:.1f})"
    )


def free_base(survey: Survey, deep: float, clear: float) -> tuple[BoolArray, Grid]:
    """[y, x] upright lines that meet the base first and then nothing for `deep` mm, with only such lines within `clear` mm of them."""
    from scipy.ndimage import distance_transform_edt

    skin, contact, extent = survey.get("skin"), survey.get("contact"), survey.get("extent")
    across = extent.high - extent.low
    step = max(float(np.sqrt(across[0] * across[1] / LINES)), FINEST)
    grid = grid_around(extent.low, extent.high, np.full(3, step), margin=1)
    met = crossings(skin.vertices, skin.faces, grid)
    order = np.lexsort((met.height, met.column))
    column, height, face = met.column[order], met.height[order], met.face[order]
    first = np.flatnonzero(np.diff(column, prepend=-1) != 0)
    first = first[first + 1 < len(column)]
    first = first[column[first + 1] == column[first]]
    base = np.zeros(len(skin.faces), dtype=bool)
    base[contact.faces] = True
    good = first[base[face[first]] & (height[first + 1] - contact.lowest >= deep)]
    free: BoolArray = np.zeros(grid.count[1] * grid.count[0], dtype=bool)
    free[column[good]] = True
    free = free.reshape(grid.count[1], grid.count[0])
    return distance_transform_edt(free, sampling=step) > clear + step, grid


def _section(place: Placed) -> Any:
    """The grooves in plan. Seen from below, x runs the other way, so they are drawn mirrored."""
    flat = drawn(place.lines, place.height, place.stroke).mirror((1.0, 0.0))
    return flat.rotate(place.turn).translate((float(place.at[0]), float(place.at[1])))


def _grooves(place: Placed, lowest: float, depth: float) -> Any:
    """What is cut away: from below the base up to `depth` over it."""
    from manifold3d import Manifold

    return Manifold.extrude(_section(place), depth + 1.0).translate((0.0, 0.0, lowest - 1.0))


def _short_of(place: Placed, solid: Any, lowest: float, deep: float, clear: float) -> tuple[FloatArray, FloatArray] | None:
    """Where, in plan, the material over and round the grooves falls short: the corners of a box; None when it nowhere does (manifold3d)."""
    from manifold3d import JoinType, Manifold

    around = _section(place).offset(clear, JoinType.Round, 2.0, 24)
    wanted = Manifold.extrude(around, deep - UNEVEN).translate((0.0, 0.0, lowest + UNEVEN))
    missing = wanted - solid
    if missing.volume() < 1e-6 * wanted.volume():
        return None
    box = np.asarray(missing.bounding_box())
    return box[:2], box[3:5]


def _box(place: Placed) -> tuple[tuple[float, float], tuple[float, float]]:
    """The corners in plan of an upright box round the grooves."""
    half = np.array(size(place.lines, place.height, place.stroke)) / 2
    angle = np.radians(place.turn)
    c, s = abs(np.cos(angle)), abs(np.sin(angle))
    reach = np.array([c * half[0] + s * half[1], s * half[0] + c * half[1]]) + 0.5 * place.stroke
    low, high = place.at - reach, place.at + reach
    return (float(low[0]), float(low[1])), (float(high[0]), float(high[1]))
