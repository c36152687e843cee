"""Mark a true length on a scan: two picks made exact, or a gauge ball or bar found and fitted. Makes the entry for the ticket.

Nothing is marked on a guess: when no gauge, or more than one, fits what was asked for, the words say so and what to do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lint.measure.ball import find_balls
from lint.measure.gauge import CUBE, Gauge, find_blocks, snap_ends
from lint.measure.lengths import scale_of, unit_near
from lint.measure.nearest import distance_to_faces
from lint.terms import BadInput, Declined, FloatArray, Part
from lint.ticket import Length, Point

# A scan whose units are told is off by a few in a hundred at most; a gauge farther from its true size than this is another thing.
NEAR = 0.20

# A pick farther from the skin than this share of the length was made in other numbers or on another part.
OFF_THE_SKIN = 0.10


def mark(
    part: Part,
    true: float | None = None,
    start: Sequence[float] | None = None,
    end: Sequence[float] | None = None,
    ball: float | None = None,
    bar: float | None = None,
) -> tuple[Length, str]:
    """The ticket entry for one true length, and a sentence that says how well it fits.

    Either true (mm) with start and end, two picks in the file's own numbers, or the diameter of a ball, or the length of a bar or
    block (its longest side) in mm; start may then say near which spot to take it. The points of the entry are in the file's own numbers.
    Raises BadInput when the words do not make one length, or no gauge, or several, fit.
    """
    if sum(given is not None for given in (true, ball, bar)) != 1:
        raise BadInput("give one true length: two points with their distance, or a ball, or a bar")
    if true is not None:
        if start is None or end is None:
            raise BadInput("a true length needs two points on the part, where it begins and where it ends")
        return _picked(part, true, _placed(part, start), _placed(part, end))
    near = None if start is None else _placed(part, start)
    if ball is not None:
        gauge = _chosen(part, [[g] for g in find_balls(part)], ball, near, "ball")
        return _entry(part, gauge, ball, "gauge ball")
    assert bar is not None
    blocks: dict[bytes, list[Gauge]] = {}
    for gauge in find_blocks(part):
        blocks.setdefault(gauge.middle.tobytes(), []).append(gauge)
    return _entry(part, _chosen(part, list(blocks.values()), bar, near, "bar or block"), bar, "gauge block")


def _placed(part: Part, point: Sequence[float]) -> FloatArray:
    array = np.asarray(point, dtype=np.float64)
    if array.shape != (3,) or not np.isfinite(array).all():
        raise BadInput("a point is three numbers: X,Y,Z")
    placed: FloatArray = part.place_points(array)[0]
    return placed


def _picked(part: Part, true: float, start: FloatArray, end: FloatArray) -> tuple[Length, str]:
    """Two picks: moved onto the flat ends they were meant for, when they lie on such; else kept."""
    apart = float(np.linalg.norm(end - start))
    if apart == 0:
        raise BadInput("both points are the same, so they mark no length")
    for point, word in ((start, "first"), (end, "second")):
        away = _from_skin(part, point)
        if away > OFF_THE_SKIN * apart:
            raise BadInput(
                f"the {word} point lies {away / scale_of(part):.4g} from the skin, in the file's own numbers: "
                "pick it on the part, in the numbers the file holds"
            )
    try:
        gauge = snap_ends(part, start, end)
    except Declined as reason:
        return Length(_file_point(part, start), _file_point(part, end), true), (
            f"marked as picked ({reason}); two picks err by about 0.5 mm together, {50 / true:.1f} % of this length"
        )
    if np.allclose([gauge.start, gauge.end], [start, end], rtol=0, atol=1e-6 * apart):
        return Length(_file_point(part, start), _file_point(part, end), true), "the points lie on the two flat ends already"
    return _entry(part, gauge, true, "")


def _from_skin(part: Part, point: FloatArray) -> float:
    return float(distance_to_faces(point[None], part.vertices, part.faces)[0])


def _chosen(part: Part, found: list[list[Gauge]], true: float, near: FloatArray | None, what: str) -> Gauge:
    """The one gauge that fits: `found` holds for each thing its measured directions, the longest first."""
    if near is not None:
        found = [g for g in found if min(float(np.linalg.norm(x.middle - near)) for x in g) <= g[0].length]
    if not found:
        where = " near that point" if near is not None else ""
        raise BadInput(
            f"no {what} could be found{where}: it must stand free, with at least "
            + ("two fifths of it" if what == "ball" else "both ends and two more faces")
            + " scanned, and rougher than 1 part in 80 it is not trusted; or mark two points: --from X,Y,Z --to-point X,Y,Z --true MM"
        )
    fitting = [g for directions in found if (g := _direction(part, directions, true)) is not None]
    if not fitting:
        sizes = ", ".join(f"{g[0].length / scale_of(part):.4g}" for g in found)
        raise BadInput(f"a {what} was found, but its size is {sizes} in the file's own numbers, nowhere near {true:g} mm in any unit")
    if len(fitting) > 1:
        spots = "; ".join(f"{g.length / scale_of(part):.4g} long at {_words(_file_point(part, g.middle))}" for g in fitting)
        raise BadInput(f"{len(fitting)} could be the {what} of {true:g} mm ({spots}): say which, --from X,Y,Z near its middle")
    return fitting[0]


def _direction(part: Part, directions: list[Gauge], true: float) -> Gauge | None:
    """The direction of one gauge that is the true length: the longest, or, when the units are told, the one that comes nearest to it."""
    if part.units is None:
        alike = [g for g in directions if g.length >= (1 - CUBE) * directions[0].length]
        return min(alike, key=lambda g: g.rms)
    near = [g for g in directions if abs(g.length / true - 1) <= NEAR]
    if near:
        alike = [g for g in near if abs(g.length / min(near, key=lambda g: abs(g.length / true - 1)).length - 1) <= CUBE]
        return min(alike, key=lambda g: g.rms)
    slips = [g for g in directions if unit_near(true / g.length * scale_of(part)) is not None]
    return slips[0] if slips else None


def _entry(part: Part, gauge: Gauge, true: float, name: str) -> tuple[Length, str]:
    factor = true / gauge.length
    alike = [length for length in gauge.others if abs(length / gauge.length - 1) <= CUBE]
    check = "".join(f"; across, it measures {length * factor:.2f} mm at that scale" for length in alike[:1])
    what = {"ball": "a ball", "block": "a block", "ends": "two flat ends"}[gauge.kind]
    sentence = (
        f"found {what} ({gauge.evidence}): {true:g} mm is {gauge.length / scale_of(part):.6g} in the file's own numbers; the skin lies "
        f"within {gauge.rms * factor:.2f} mm of the fit ({100 * gauge.rms / gauge.length:.2f} % of the length), at worst "
        f"{gauge.worst * factor:.2f} mm{check}"
    )
    return Length(_file_point(part, gauge.start), _file_point(part, gauge.end), true, name), sentence


def _file_point(part: Part, point: FloatArray) -> Point:
    """A point of the part in the file's own numbers."""
    x, y, z = (float(value) for value in np.linalg.solve(part.placement, np.append(point, 1.0))[:3])
    return x, y, z


def _words(point: Point) -> str:
    return ",".join(f"{value:.4g}" for value in point)
