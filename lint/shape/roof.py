"""A roof that holds itself up while it is printed, for a cavity given as a field on a grid.

Going down from the top, the open space of a layer may reach farther out than the open space of the layer above only as far as the
process holds up: 45 degrees from the vertical for extrusion, more for resin. Where the ceiling is flatter than that, it is opened
along ridges, which have no width and so nothing to hold up. Where material would still begin in mid-air, or span more than can
be bridged, a pillar is left standing under it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from lint.measure.columns import Grid
from lint.shape.offset_field import Depth, Field
from lint.shape.ridges import Ridges
from lint.terms import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Lean:
    """How far a roof may lean. rise: the step from layer to layer, in pitches, in which the open space may widen by one pitch.

    bridge: a bare span this wide prints without harm, mm; steepest: what the process holds up, degrees from the vertical.
    """

    rise: float
    bridge: float
    steepest: float


# 39.8 degrees from the vertical, inside 45 (facts 1.3.1), bridges of 5 mm (facts 1.3.7); 51.3 degrees, well inside 71 (facts 1.5.7),
# bridges of 20 mm (facts 1.5.8: under 21). The room left is for the facets, which lean a few degrees either way.
LEANS = {"extrusion": Lean(1.2, 5.0, 45.0), "resin": Lean(0.8, 20.0, 71.0)}

# An upper room smaller or lower than this stays solid: not worth a pillar. mm3 and mm (common practice, no source).
LEAST_ROOM = 4000.0
LEAST_HEIGHT = 10.0
# A ridge is laid this far under the very top of a room, where the ceiling already has a length to follow, mm.
UNDER_THE_TOP = 3.0

# Half the width of a ridge where it opens, in pitches: as narrow as the grid still shows.
SLOT = 0.35

_DIAGONAL = float(np.sqrt(0.5))


@dataclass(frozen=True)
class Roofed:
    """field: the open space after the roof; pillars: how many were left standing to carry what would hang."""

    field: Field
    pillars: int


def self_supporting(depth: Depth, pillar: float, lean: Lean, grown: bool = True) -> Roofed:
    """The part of the space `depth.field > 0` whose roof carries itself, layer by layer from the top. Opens nothing that was closed.

    pillar: thickness in mm of a pillar; grown: whether ridges go on growing below the top of a room, which saves more.
    """
    space, grid = depth.field, depth.grid
    far = np.float32(2 * depth.pitch)
    starts = _starts(space, depth)
    ridges = Ridges(grid)
    roofed = np.full_like(space, -far)
    posts: Field | None = None
    count = 0
    for z in range(grid.count[2] - 2, -1, -1):
        above = roofed[z + 1]
        layer = np.minimum(space[z], _widened(above))
        free = space[z] > 0
        crest = ridges.grow(z, free, layer > 0) if grown else np.zeros_like(free)
        if z in starts:
            crest |= ridges.begin(space[z], starts[z])
        if crest.any():
            layer = np.maximum(layer, np.minimum(space[z], _slopes(crest, grid)))
        if posts is not None:
            layer = np.minimum(layer, posts)
        for y, x in _hanging(layer > 0, above > 0, grid, lean.bridge):
            post = (_apart(grid, y, x) - np.float32(pillar / 2)).clip(-far, far)
            posts = post if posts is None else np.minimum(posts, post)
            layer = np.minimum(layer, posts)
            count += 1
        roofed[z] = layer
    return Roofed(roofed, count)


def stouter(roofed: Field, grid: Grid, thick: float) -> Field:
    """The open space with whatever stands in it less than three grid points thick made `thick` mm thick, layer by layer.

    Every fin grows by as much all round, so its sides lean as they did.
    """
    from scipy.ndimage import binary_opening, distance_transform_edt

    cross = np.array([[False, True, False], [True, True, True], [False, True, False]])
    stout = roofed.copy()
    for z in np.flatnonzero((roofed > 0).any(axis=(1, 2))):
        solid = np.pad(roofed[z] <= 0, 2, constant_values=True)
        fins = (solid & ~binary_opening(solid, cross))[2:-2, 2:-2]
        if fins.any():
            apart = distance_transform_edt(~fins, sampling=grid.pitch[1::-1]).astype(np.float32)
            np.minimum(stout[z], apart - np.float32(thick / 2), out=stout[z])
    return stout


def _widened(layer: Field) -> Field:
    """Each point takes the greatest value one pitch away, in eight directions; between points by straight-line interpolation."""
    padded = np.pad(layer, 1, mode="edge")
    centre = padded[1:-1, 1:-1]
    north, south, west, east = padded[:-2, 1:-1], padded[2:, 1:-1], padded[1:-1, :-2], padded[1:-1, 2:]
    best: Field = np.maximum.reduce((centre, north, south, west, east))
    near, far = np.float32(_DIAGONAL * (1 - _DIAGONAL)), np.float32(_DIAGONAL**2)
    rest = np.float32((1 - _DIAGONAL) ** 2) * centre
    for a, b, corner in (
        (north, west, padded[:-2, :-2]), (north, east, padded[:-2, 2:]), (south, west, padded[2:, :-2]), (south, east, padded[2:, 2:]),
    ):  # fmt: skip
        np.maximum(best, rest + near * (a + b) + far * corner, out=best)
    return best


def _apart(grid: Grid, y: int, x: int) -> Field:
    """Distance of every point of a layer from one of them, mm."""
    across = (np.arange(grid.count[0]) - x)[None, :] * grid.pitch[0]
    along = (np.arange(grid.count[1]) - y)[:, None] * grid.pitch[1]
    apart: Field = np.hypot(across, along).astype(np.float32)
    return apart


def _slopes(crest: BoolArray, grid: Grid) -> Field:
    """Half the width of a ridge less the distance to it, mm: its two slopes."""
    from scipy.ndimage import distance_transform_edt

    slopes: Field = (SLOT * grid.pitch[0] - distance_transform_edt(~crest, sampling=grid.pitch[1::-1])).astype(np.float32)
    return slopes


@dataclass
class _Room:
    """A piece of open space followed downwards: its top layer, its volume so far, and the ceiling its ridge will follow."""

    top: int
    size: float = 0.0
    ceiling: tuple[int, BoolArray] | None = field(default=None, repr=False)
    settled: bool = False


def _starts(space: Field, depth: Depth) -> dict[int, BoolArray]:
    """Where rooms begin from above: layer -> pieces of it. A room that is small when it meets a larger one does not begin at all."""
    from scipy.ndimage import label

    tall = float(depth.grid.pitch[2])
    drop = max(int(UNDER_THE_TOP / tall), 1)
    rooms: list[_Room] = [_Room(0)]
    room_of = np.zeros(space.shape[1:], dtype=np.int64)
    starts: dict[int, BoolArray] = {}

    def settle(number: int, height: float) -> None:
        room = rooms[number]
        if room.settled or room.ceiling is None or room.size < LEAST_ROOM or height < LEAST_HEIGHT:
            return
        room.settled = True
        z, pieces = room.ceiling
        starts[z] = starts[z] | pieces if z in starts else pieces

    for z in range(space.shape[0] - 1, -1, -1):
        piece, count = label(space[z] > 0)
        volume = np.bincount(piece.reshape(-1), minlength=count + 1) * depth.cell
        both = (piece > 0) & (room_of > 0)
        pairs = np.unique(piece[both].astype(np.int64) * len(rooms) + room_of[both])
        heirs: dict[int, list[int]] = {}
        for pair in pairs:
            heirs.setdefault(int(pair // len(rooms)), []).append(int(pair % len(rooms)))
        for number in np.setdiff1d(room_of[room_of > 0], pairs % len(rooms)):
            settle(int(number), (rooms[number].top - z) * tall)
        name = np.zeros(count + 1, dtype=np.int64)
        for p in range(1, count + 1):
            if p not in heirs:
                rooms.append(_Room(z))
                name[p] = len(rooms) - 1
            else:
                name[p] = max(heirs[p], key=lambda r: (rooms[r].size, -r))
                for other in heirs[p]:
                    if other != name[p]:
                        settle(other, (rooms[other].top - z) * tall)
                        rooms[name[p]].size += rooms[other].size
                        rooms[other].size = 0.0
            room = rooms[name[p]]
            room.size += float(volume[p])
            if room.top - z <= drop:
                same = room.ceiling is not None and room.ceiling[0] == z
                room.ceiling = (z, (room.ceiling[1] | (piece == p)) if same and room.ceiling else piece == p)
        room_of = name[piece]
    return starts


def _hanging(open_here: BoolArray, open_above: BoolArray, grid: Grid, bridge: float) -> list[tuple[int, int]]:
    """Points (y, x) under which a pillar is wanted: material above that begins in mid-air, or spans more than a bridge."""
    from scipy.ndimage import distance_transform_edt, label

    bare = open_here & ~open_above
    if not bare.any() or not open_above.any():
        return []
    piece, count = label(~open_above, structure=np.ones((3, 3)))
    carried = np.zeros(count + 1, dtype=bool)
    carried[piece[~open_here]] = True
    island = bare & ~carried[piece]
    span = distance_transform_edt(open_here, sampling=grid.pitch[1::-1])
    loose = island | (bare & (span > bridge / 2))
    spots: IntArray = np.argwhere(loose)
    return _chosen(spots, np.asarray(span[loose]), grid, bridge)


def _chosen(spots: IntArray, span: FloatArray, grid: Grid, bridge: float) -> list[tuple[int, int]]:
    """Spots from the widest span down, none within a bridge's width of another."""
    posts: list[tuple[int, int]] = []
    left = np.ones(len(spots), dtype=bool)
    at = spots * grid.pitch[1::-1]
    while left.any():
        pick = int(np.flatnonzero(left)[np.argmax(span[left])])
        posts.append((int(spots[pick, 0]), int(spots[pick, 1])))
        left &= np.hypot(*(at - at[pick]).T) > bridge
    return posts
