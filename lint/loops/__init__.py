"""Loops in C for what numpy walks through many times over: a tree of boxes for rays, nearest spots and crossings; welding; joining;
faces that new ones cut; sums over a skin; lines of a grid through it, and the basins of its height.

They are made when the program is installed where a C compiler is at hand (pyproject.toml, `optional`), and nothing depends on them:
each has a plain version beside its caller in lint/measure that says the same, only slower. BUCKWRIGHT_LOOPS=plain does without them.
Here the arrays are made ready; nothing in this folder knows a part.
"""

from __future__ import annotations

import os
from typing import Any

import numpy as np

from lint import cores
from lint.terms import BoolArray, FloatArray, IntArray

try:
    from lint.loops import compiled as _compiled
except ImportError:  # no compiler was there, or another Python
    _compiled = None  # type: ignore[assignment]

ISSUE = 13  # of loops.h; a checkout may be newer than what was built in it, and then wants `pip install -e .` again
_USABLE = getattr(_compiled, "issue", 0) == ISSUE


_LEAST = 20_000  # rays or points that are worth a thread of their own


def there() -> bool:
    """Whether the compiled loops are installed and asked for."""
    return _USABLE and os.environ.get("BUCKWRIGHT_LOOPS") != "plain"


def hold_memory() -> None:
    """Keep what is freed for the next array instead of giving it back to the system each time; without effect where that is not known.

    A large part makes and drops hundreds of arrays of megabytes; to have each of them cleared by the system anew took a tenth of the
    time. For processes that measure and end.
    """
    if there():
        _compiled.hold()


class Tree:
    """A tree of boxes over the faces (m, 3) of a mesh with vertices (n, 3), mm; it keeps its own copy of both.

    Raises ValueError for no faces, for more than 2^28 of them, and where a corner of a face has a coordinate that is no number.
    """

    def __init__(self, vertices: FloatArray, faces: IntArray) -> None:
        assert _compiled is not None
        self._tree = _compiled.tree(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64))

    def first(
        self, origins: FloatArray, directions: FloatArray, reach: float = np.inf, *, facing: int = 0, normal: FloatArray | None = None
    ) -> tuple[IntArray, FloatArray]:
        """Face each ray (k, 3) meets first within `reach`, -1 for none, and the distance, infinite for none.

        facing: 1 for faces whose normal (m, 3) looks along the ray, -1 for those that look against it, 0 for any.
        """
        face, far = np.empty(len(origins), dtype=np.int64), np.empty(len(origins))
        start, along, lean = _rows(origins), _rows(directions), None if normal is None else _rows(normal)
        facing = 0 if lean is None else facing

        def cast(some: slice) -> None:
            _compiled.cast(self._tree, start[some], along[some], float(reach), facing, lean, face[some], far[some])

        cores.shared(cast, len(face), _LEAST)
        return face, far

    def nearest(self, points: FloatArray, reach: float = np.inf) -> tuple[IntArray, FloatArray, FloatArray]:
        """The nearest face of each point (k, 3) within `reach` mm, -1 for none, the squared distance in mm2, infinite for none, and the
        spot (k, 3) on the face."""
        face, square, spot = np.empty(len(points), dtype=np.int64), np.empty(len(points)), np.empty((len(points), 3))
        at = _rows(points)
        cores.shared(
            lambda some: _compiled.nearest(self._tree, at[some], float(reach), face[some], square[some], spot[some]), len(at), _LEAST
        )
        return face, square, spot

    def about(self, point: FloatArray, reach: float, across: FloatArray | None = None) -> IntArray:
        """Numbers (k,), in order, of all faces within `reach` mm of a point (3,), and of others near them; of those that meet the plane
        through the point square to `across` (3,), where that is given."""
        x, y, z = np.asarray(point, dtype=np.float64).tolist()
        said = _compiled.about(self._tree, (x, y, z), float(reach), (0.0, 0.0, 0.0) if across is None else tuple(across.tolist()))
        return np.sort(np.frombuffer(said, dtype=np.int32)).astype(np.int64)

    def pairs(self, normal: FloatArray, usable: BoolArray, simple: BoolArray, tolerance: float, flat: float) -> tuple[IntArray, ...]:
        """Pairs (k, 2) of faces that reach through each other's plane; that lie in one plane; where an edge of the second lies in the
        plane of the first; and where the second reaches through the plane of the first and has an edge of it in its own.

        See lint/measure/crossings.py: normal (m, 3) unit; usable (m,) faces with an area; simple (m,) all corners plain.
        """
        said = _compiled.pairs(self._tree, _rows(normal), np.ascontiguousarray(usable), np.ascontiguousarray(simple), tolerance, flat)
        return tuple(np.frombuffer(one, dtype=np.int32).reshape(-1, 2).astype(np.int64) for one in said)


def weld(points: FloatArray) -> tuple[IntArray, IntArray]:
    """For rows (n, 3): the number of the distinct row that each is like, bit for bit, and where each distinct row first stands."""
    number, row = np.empty(len(points), dtype=np.int64), np.empty(len(points), dtype=np.int64)
    count = _compiled.weld(_rows(points), number, row)
    return number, row[:count].copy()


def half_edges(faces: IntArray, points: int) -> tuple[IntArray, BoolArray]:
    """Half-edges (k,) of faces (m, 3) in the order of their edges and then of their numbers, faces with two corners on one of the
    points left out; and (k,) whether an edge begins there."""
    order, first = np.empty(3 * len(faces), dtype=np.int64), np.empty(3 * len(faces), dtype=bool)
    count = _compiled.halves(np.ascontiguousarray(faces, dtype=np.int64), points, order, first)
    return order[:count], first[:count]


def edge_table(faces: IntArray, order: IntArray, first: BoolArray) -> dict[str, Any]:
    """The fields of `lint.measure.edges.Edges`, by name, from what `half_edges` gives."""
    edges, half = int(np.count_nonzero(first)), 3 * len(faces)
    whole = {"ends": (edges, 2), "begin": edges + 1, "count": edges, "half_edge": half}
    table: dict[str, Any] = {name: np.empty(shape, dtype=np.int64) for name, shape in whole.items()}
    table["forward"] = np.empty(half, dtype=bool)
    paired = {
        "neighbours": np.empty((edges, 2), dtype=np.int64),
        "neighbour_edge": np.empty(edges, dtype=np.int64),
        "agree": np.empty(edges, dtype=bool),
    }
    corners = np.ascontiguousarray(faces, dtype=np.int64)
    pairs = _compiled.edges(corners, order, first, *table.values(), *paired.values())
    # An array that is full stays as it is; of another what was filled is kept and the rest let go.
    return {**table, **{name: array if pairs == edges else array[:pairs].copy() for name, array in paired.items()}, "order": order}


def fans_met(faces: IntArray, order: IntArray, begin: IntArray, points: int, most: int) -> tuple[BoolArray, BoolArray]:
    """Marks (n,) of points that a walk over faces (m, 3) did not come back to, and of those it came back to and missed some of.

    order, begin: as in `lint.measure.edges.Edges`; most: edges that a walk meets at the most.
    """
    unsound, several = np.empty(points, dtype=bool), np.empty(points, dtype=bool)
    _compiled.walks(np.ascontiguousarray(faces, dtype=np.int64), order, begin, most, unsound, several)
    return unsound, several


def shell_boxes(vertices: FloatArray, faces: IntArray, label: IntArray, count: int) -> tuple[FloatArray, FloatArray]:
    """The low and the high corner (count, 3) of each shell of faces (m, 3) with a label (m,), below zero for none."""
    low, high = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    _compiled.boxes(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), label, low, high)
    return low, high


def shell_volumes(vertices: FloatArray, faces: IntArray, label: IntArray, start: FloatArray) -> FloatArray:
    """(count,) the volume under the faces (m, 3) of each shell, label (m,), from a start (count, 3) of its own on."""
    six = np.zeros(len(start))
    _compiled.volumes(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), label, _rows(start), six)
    return six / 6


def join(count: int, one: IntArray, two: IntArray) -> tuple[IntArray, int]:
    """The component (count,) of each node under links (k,) between them, numbered as their first nodes come; and how many there are."""
    label = np.empty(count, dtype=np.int64)
    return label, _compiled.join(np.ascontiguousarray(one, dtype=np.int64), np.ascontiguousarray(two, dtype=np.int64), label)


def folds(normal: FloatArray, centre: FloatArray, neighbours: IntArray, agree: BoolArray) -> FloatArray:
    """(k,) degrees between faces with normals and centres (m, 3) that are neighbours (k, 2); above zero where the edge is convex, 180
    where the two do not agree (k,) about it."""
    angle = np.empty(len(neighbours))
    _compiled.folds(_rows(normal), _rows(centre), np.ascontiguousarray(neighbours, dtype=np.int64), np.ascontiguousarray(agree), angle)
    return angle


def facets(vertices: FloatArray, faces: IntArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Unit normal (m, 3), zero where there is no area, area (m,) and centre (m, 3) of faces (m, 3) of vertices (n, 3)."""
    normal, area, centre = np.empty((len(faces), 3)), np.empty(len(faces)), np.empty((len(faces), 3))
    _compiled.facets(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), normal, area, centre)
    return normal, area, centre


def sides(vertices: FloatArray, faces: IntArray) -> FloatArray:
    """(m,) the square of the longest side of each face (m, 3) of vertices (n, 3)."""
    square = np.empty(len(faces))
    _compiled.sides(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), square)
    return square


def sags(
    vertices: FloatArray, faces: IntArray, normal: FloatArray, centre: FloatArray, area: FloatArray, ends: IntArray,
    neighbours: IntArray, edge: IntArray, angle: FloatArray, facet: IntArray, half_edge: IntArray, count: int,
    limits: tuple[float, float, float, float, float],
) -> FloatArray:  # fmt: skip
    """(m,) how far faces (m, 3) stand off the round they stand for, mm; see lint/measure/facet_size.py.

    normal, centre, area: of the faces; ends: (e, 2) of all edges; neighbours: (k, 2) faces at edges that have two, edge: (k,) their
    numbers, angle: (k,) degrees; facet: (m,) below count; half_edge: (3m,) edges,
    -1 for none. limits: FLAT, SHARP, the sine of LEVEL, ALIKE, and the least sag that counts.
    """
    sag = np.zeros(len(faces))
    whole = (np.ascontiguousarray(some, dtype=np.int64) for some in (faces, ends, neighbours, edge, facet, half_edge))
    corners, ends, neighbours, edge, facet, half_edge = whole
    numbers = _rows(area), _rows(angle)
    _compiled.sags(
        _rows(vertices), corners, _rows(normal), _rows(centre), numbers[0], ends, neighbours, edge, numbers[1], facet, half_edge,
        count, *limits, sag,
    )  # fmt: skip
    return sag


def rings(ends: IntArray, count: int, points: IntArray, fewest: int) -> tuple[tuple[IntArray, IntArray], tuple[IntArray, IntArray]]:
    """The points within one and within two of the edges, (e, 2) of `count` points, in their order, of each of points (k,), itself among
    them: for either, where each begins (k + 1,), and their numbers. None where there are not the fewest within one edge."""
    start = np.empty(len(points) + 1, dtype=np.int64), np.empty(len(points) + 1, dtype=np.int64)
    chosen = np.ascontiguousarray(points, dtype=np.int64)
    said = _compiled.rings(np.ascontiguousarray(ends, dtype=np.int64), count, chosen, fewest, *start)
    return (start[0], np.frombuffer(said[0], dtype=np.int64)), (start[1], np.frombuffer(said[1], dtype=np.int64))


def point_normals(faces: IntArray, normal: FloatArray, area: FloatArray, count: int, points: IntArray) -> FloatArray:
    """(k, 3) unit normals at different points (k,) of `count`: the mean of those of the faces (m, 3) round each by their area (m,)."""
    unit, chosen = np.empty((len(points), 3)), np.ascontiguousarray(points, dtype=np.int64)
    _compiled.normals(np.ascontiguousarray(faces, dtype=np.int64), _rows(normal), _rows(area), count, chosen, unit)
    return unit


def quadrics(
    vertices: FloatArray, points: IntArray, normal: FloatArray, begin: IntArray, neighbour: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """The equations, (k, 6, 6) and (k, 6), of a quadric through the surroundings of each point (k,), and how far those reach (k,), mm;
    and where they are, for `residues`.

    See lint/measure/roughness.py: normal (k, 3); neighbour: numbers of vertices (n, 3), those of point i from begin[i] to begin[i + 1].
    """
    left, right, reach = np.empty((len(points), 36)), np.empty((len(points), 6)), np.empty(len(points))
    at = np.empty(3 * len(neighbour))
    first, last, every = (np.ascontiguousarray(some, dtype=np.int64) for some in (points, begin, neighbour))
    _compiled.quadrics(_rows(vertices), first, _rows(normal), last, every, at, left, right, reach)
    return left.reshape(-1, 6, 6), right, reach, at


def residues(at: FloatArray, begin: IntArray, solved: FloatArray) -> FloatArray:
    """(k,) the sum of the squares of what the surroundings stand off the quadric (k, 6), in squares of their reach; see `quadrics`."""
    square = np.empty(len(solved))
    _compiled.residues(at, np.ascontiguousarray(begin, dtype=np.int64), _rows(solved), square)
    return square


def nearest_few(points: FloatArray, few: int, ordered: int) -> IntArray:
    """(n, few) the nearest of points (n, 3) to each of them, itself among them, of equally near ones the lower number; the first so many
    in order. Raises ValueError where there are fewer points, or a coordinate is no number."""
    nearest = np.empty((len(points), few), dtype=np.int64)
    _compiled.few(_rows(points), few, ordered, nearest)
    return nearest


def middles(value: FloatArray, around: IntArray) -> FloatArray:
    """(k,) the middle value of those that are around (k, j) each, as np.median says it; none may be no number."""
    middle = np.empty(len(around))
    _compiled.middles(_rows(value), np.ascontiguousarray(around, dtype=np.int64), around.shape[1], middle)
    return middle


def plain_fans(vertices: FloatArray, faces: IntArray, normal: FloatArray, closed: BoolArray) -> BoolArray:
    """(n,) vertices (n, 3) whose faces (m, 3), seen along their mean normal, all face the viewer and take up a full turn at most.

    closed: (n,) whether every edge at the vertex has two faces that agree; of those whole turns are counted, without angles.
    """
    plain = np.empty(len(vertices), dtype=bool)
    _compiled.plain(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), _rows(normal), np.ascontiguousarray(closed), plain)
    return plain


def columns(x: FloatArray, y: FloatArray, vertices: FloatArray, faces: IntArray, wide: int, deep: int) -> tuple[Any, ...]:
    """Where the upright lines of a grid `wide` x `deep` meet faces (m, 3) of vertices (n, 3) that are at x, y (n,) in the grid's steps:
    column, height, face and whether the skin faces up, (k,) each; see lint/measure/columns.py."""
    flat = np.ascontiguousarray(x), np.ascontiguousarray(y)
    said = _compiled.columns(*flat, _rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), wide, deep)
    return tuple(np.frombuffer(one, dtype=kind) for one, kind in zip(said, (np.int64, np.float64, np.int64, np.bool_), strict=True))


def descend(vertices: FloatArray, faces: IntArray, ends: IntArray) -> tuple[IntArray, IntArray, FloatArray, BoolArray, IntArray]:
    """The basins of a skin of vertices (n, 3), faces (m, 3) and edges (e, 2); see lint/measure/cups.py for what is told."""
    basin, face_basin = np.empty(len(vertices), dtype=np.int64), np.empty(len(faces), dtype=np.int64)
    twice, up, apart = np.empty(len(faces)), np.empty(len(vertices), dtype=bool), np.empty(len(ends), dtype=np.int64)
    corners, sides = np.ascontiguousarray(faces, dtype=np.int64), np.ascontiguousarray(ends, dtype=np.int64)
    count = _compiled.descend(_rows(vertices), corners, sides, basin, face_basin, twice, up, apart)
    return basin, face_basin, twice, up, apart[:count].copy()


def hits(vertices: FloatArray, faces: IntArray, fresh: BoolArray, fold: float, *, first: bool = False) -> BoolArray:
    """(m,) faces (m, 3) of vertices (n, 3) that cross or touch another, of pairs of which one at least is fresh (m,).

    See lint/shape/crossing.py. fold: cosine beyond which two faces on one side lie on each other. first: only the first pair that does.
    Raises ValueError where a corner of a face has a coordinate that is no number.
    """
    hit = np.empty(len(faces), dtype=bool)
    _compiled.hits(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), np.ascontiguousarray(fresh), fold, first, hit)
    return hit


def middle(vertices: FloatArray, faces: IntArray, start: FloatArray) -> tuple[float, FloatArray, float]:
    """The area of a skin of vertices (n, 3) and faces (m, 3), its middle from `start` (3,) on times the area, and the farthest that a
    coordinate of a corner reaches from there."""
    said = np.empty(5)
    _compiled.middle(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), _rows(start), said)
    return float(said[0]), said[1:4], float(said[4])


def powers(vertices: FloatArray, faces: IntArray, middle: FloatArray, scale: float) -> FloatArray:
    """(22,) sums over a skin of vertices (n, 3) and faces (m, 3) of products of coordinates; see lint/measure/moments.py."""
    sums = np.empty(22)
    _compiled.powers(_rows(vertices), np.ascontiguousarray(faces, dtype=np.int64), _rows(middle), scale, sums)
    return sums


def _rows(array: Any) -> FloatArray:
    return np.ascontiguousarray(array, dtype=np.float64)
