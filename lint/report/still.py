"""A still picture of a part: a pencil drawing with findings as numbered pins on hatched patches, a scale in mm, and the bed.

Parallel projection, so that a length across the view can be taken off with dividers against the scale. A finding is pinned only where
it can be seen: what lies on the far side or inside is left to another view.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from lint.report.ink import CHALK, GRAPHITE, PAPER, SOFT, Ink, Pixels, Sheet, length_of, pattern
from lint.report.pencil import FINE, Mesh, box_of, drawable, shaded, smaller
from lint.report.png import png
from lint.report.raster import Camera, Raster, framed, rasterise
from lint.terms import Finding, FloatArray, IntArray, Part, Place, Weight

View = str | tuple[float, float, float]
Spot = tuple[float, float]

MOST_PINS = 24
HATCH = {Weight.STOP: "crossed", Weight.CAUTION: "lined", Weight.NOTE: "dotted"}
_RADIUS = 10.0
ROOM = (34, 38, 34, 50)  # pixels left, above, right and below for words, scale and pins


def picture(
    part: Part,
    findings: Sequence[Finding] = (),
    *,
    view: View = "front",
    size: tuple[int, int] = (600, 450),
    close_up: Place | None = None,
    bed: tuple[float, float, float] | None = None,
) -> bytes:
    """The bytes of a PNG that shows a part. The same part gives the same bytes.

    findings: the first is pinned as number 1, and so on; one without a place, or out of sight, keeps its number and has no pin.
    view: "front", "side", "back", "left", "top", "under", or a direction toward the viewer. size: (width, height) in pixels, from 120.
    close_up: show the surroundings of this place. bed: room in the printer, mm; taken from the ticket when not given.
    Raises ValueError for a view or a size that is none.
    """
    return png(draw(part, findings, view=view, size=size, close_up=close_up, bed=bed).sheet.bytes())


@dataclass(frozen=True)
class Drawn:
    """A drawing, the camera it was seen through (None where there was nothing to see), and where on it each pinned number points."""

    sheet: Sheet
    camera: Camera | None
    pins: dict[int, Spot] = field(default_factory=dict)


def draw(
    part: Part,
    findings: Sequence[Finding] = (),
    *,
    view: View = "front",
    size: tuple[int, int] = (600, 450),
    close_up: Place | None = None,
    bed: tuple[float, float, float] | None = None,
    title: str | None = None,
    mesh: Mesh | None = None,
    bare: bool = False,
    frame: FloatArray | None = None,
) -> Drawn:
    """The drawing that `picture` writes.

    mesh: of the part, when it is drawn more than once. title: instead of the name of the view. bare: the part and its hatching only.
    frame: points (k, 3) that the picture makes room for instead of the part's own.
    """
    width, height = size
    if min(size) < 120 or max(size) > 8000:
        raise ValueError(f"a picture is 120 to 8000 pixels each way, not {width} x {height}")
    mesh = drawable(part) if mesh is None else mesh
    sheet = Sheet(width, height)
    name = title if title is not None else view if isinstance(view, str) else ""
    if not len(mesh.faces):
        sheet.write("nothing to draw", width / 2, height / 2, 12, SOFT, at=0.5)
        return Drawn(sheet, None)
    bed = part.ticket.print.bed if bed is None else bed
    room = (6, 6, 6, 6) if bare else ROOM
    camera = _camera(mesh, view, size, close_up, bed, room) if frame is None else framed(frame, view, size, room=room)
    fine = camera.larger(FINE)
    seen = rasterise(mesh.vertices, mesh.faces, fine)
    pixels = shaded(mesh, seen, fine)
    spots: dict[int, Spot] = {}
    for number, finding in reversed(list(enumerate(findings, 1))):
        if finding.place is not None:
            spot = _hatch(pixels, mesh, seen, fine, finding, number)
            if spot is not None and number <= MOST_PINS:
                spots[number] = spot
    sheet.pixels[:] = smaller(pixels)
    pins = dict(sorted(spots.items()))
    if bare:
        return Drawn(sheet, camera, pins)
    if isinstance(view, str) and close_up is None:
        for line in _bed_lines(camera, mesh, bed):
            _behind(sheet, line, seen)
    _pin(sheet, pins, findings)
    scale_bar(sheet, camera, part.length_unit)
    if name:
        sheet.halo(14, 26, name, 12)
        sheet.write(name, 14, 26, 12)
    return Drawn(sheet, camera, pins)


def _camera(
    mesh: Mesh, view: View, size: tuple[int, int], close_up: Place | None, bed: tuple[float, float, float] | None,
    room: tuple[int, int, int, int],
) -> Camera:
    points = mesh.used
    if close_up is not None and np.isfinite(close_up.centre).all():
        reach = 1.5 * min(max(close_up.reach, 0.03 * mesh.across), mesh.across)
        # a ball in every view alike: its six poles frame it
        points = np.array(close_up.centre) + reach * np.vstack((np.eye(3), -np.eye(3)))
    elif bed is not None and view in ("top", "under") and np.max(bed[:2] / np.maximum((mesh.high - mesh.low)[:2], 1e-12)) < 1.6:
        points = np.vstack((points, _bed_corners(mesh, bed)))
    return framed(points, view, size, room=room)


def _hatch(pixels: Pixels, mesh: Mesh, seen: Raster, camera: Camera, finding: Finding, number: int) -> Spot | None:
    """Hatch what is seen of a finding, and where to pin it on the finished picture; None when nothing of it is seen."""
    place = finding.place
    assert place is not None
    if place.faces is None or not len(place.faces):
        return _spot_of_point(np.array(place.centre), place.reach, seen, camera)
    held = np.isin(mesh.number, place.faces)
    patch = (seen.face >= 0) & held[seen.face]
    if np.count_nonzero(patch) < 3 * FINE * FINE:
        return _spot_of_faces(mesh, np.flatnonzero(held), seen, camera)
    from scipy.ndimage import binary_dilation, binary_erosion, distance_transform_edt

    window = box_of(patch, 1)
    small = patch[window]
    ink = np.array(CHALK, dtype=np.float32)
    lines = pattern(HATCH[finding.weight], number, camera.size[0], camera.size[1], FINE)[window] & small
    rim = np.zeros_like(small)
    if finding.weight > Weight.NOTE:
        rim = binary_dilation(small & ~binary_erosion(small, iterations=FINE, border_value=0))
    pixels[window][rim | lines] = ink
    deep = distance_transform_edt(np.pad(small, 1))[1:-1, 1:-1]
    row, column = np.unravel_index(int(np.argmax(deep)), deep.shape)
    top, left = window[0].start, window[1].start
    return ((left + column + 0.5) / FINE, (top + row + 0.5) / FINE)


def _spot_of_point(point: FloatArray, reach: float, seen: Raster, camera: Camera) -> Spot | None:
    """Where a point is seen: at itself, or over the paper at the skin nearest to it within its reach. None when skin lies before it."""
    if not np.isfinite(point).all():
        return None
    x, y, depth = camera.project(point[None])[0]
    width, height = camera.size
    on = 0 <= x < width and 0 <= y < height
    if on and seen.depth[int(y), int(x)] < depth - 2.0 / camera.scale:
        return None
    if on and seen.face[int(y), int(x)] >= 0:
        return (float(x) / FINE, float(y) / FINE)
    rows, columns = np.nonzero(seen.face >= 0)
    away = np.hypot(columns + 0.5 - x, rows + 0.5 - y) / camera.scale
    away = np.hypot(away, seen.depth[rows, columns] - depth)
    if not len(away) or away.min() > reach + 2.0 / camera.scale:
        return None
    nearest = int(np.argmin(away))
    return ((columns[nearest] + 0.5) / FINE, (rows[nearest] + 0.5) / FINE)


def _spot_of_faces(mesh: Mesh, faces: IntArray, seen: Raster, camera: Camera) -> Spot | None:
    """Where faces too small to fill a pixel are seen: at the middle of one with nothing but its own side of the skin there."""
    width, height = camera.size
    placed = camera.project(mesh.vertices[mesh.faces[faces]].mean(axis=1))
    x, y, depth = placed.T
    on = (x >= 0) & (x < width) & (y >= 0) & (y < height)
    faces, x, y, depth = faces[on], x[on], y[on], depth[on]
    shown = seen.face[y.astype(int), x.astype(int)]
    near = seen.depth[y.astype(int), x.astype(int)] >= depth - 3.0 / camera.scale
    own, other = mesh.normal[faces] @ camera.toward, mesh.normal[shown] @ camera.toward
    good = np.flatnonzero(near & (np.abs(own) > 0.01) & ((shown < 0) | (own * other > 0)))
    return (float(x[good[0]]) / FINE, float(y[good[0]]) / FINE) if len(good) else None


def _pin(sheet: Sheet, spots: dict[int, Spot], findings: Sequence[Finding]) -> None:
    """A numbered disc beside each spot, away from the middle and from each other, with a line to it."""
    height, width = sheet.pixels.shape[:2]
    taken: list[Spot] = []
    for x, y in spots.values():
        outward = math.atan2(y - height / 2, x - width / 2)
        best, least = (x, y), math.inf
        for far in (24.0, 40.0, 58.0, 80.0):
            for turn in (0.0, 0.5, -0.5, 1.0, -1.0, 1.6, -1.6, 2.3, -2.3, 3.1):
                at = (x + far * math.cos(outward + turn), y + far * math.sin(outward + turn))
                crowd = sum(math.dist(at, other) < 2 * _RADIUS + 4 for other in taken)
                crowd += sum(math.dist(at, other) < _RADIUS + 3 for other in spots.values())
                off = not (_RADIUS + 2 < at[0] < width - _RADIUS - 2 and _RADIUS + 2 < at[1] < height - _RADIUS - 2)
                off |= at[0] < 0.6 * width and not 42 < at[1] < height - 36  # there stand the words and the scale
                cost = 10 * crowd + 100 * off + abs(turn) + far / 40
                if cost < least:
                    best, least = at, cost
        taken.append(best)
        sheet.line([(x, y), best], PAPER, 3.6)
        sheet.line([(x, y), best], CHALK, 1.4)
        sheet.disc((x, y), 3.4, PAPER)
        sheet.disc((x, y), 2.4, CHALK)
    for (number, _), at in zip(spots.items(), taken, strict=True):
        disc(sheet, at, number, findings[number - 1].weight)


def disc(sheet: Sheet, at: Spot, number: int, weight: Weight) -> None:
    """The numbered head of a pin: filled for a stop, ringed for a caution, thin for a note."""
    sheet.disc(at, _RADIUS + 1.2, PAPER)
    sheet.disc(at, _RADIUS, CHALK)
    letters: Ink = PAPER
    if weight < Weight.STOP:
        sheet.disc(at, _RADIUS - (2.4 if weight is Weight.CAUTION else 1.1), PAPER)
        letters = CHALK
    tall = 9.5 if number < 10 else 8.0
    sheet.write(str(number), at[0], at[1] + tall / 2, tall, letters, 1.5, at=0.5)


def scale_bar(sheet: Sheet, camera: Camera, unit: str) -> None:
    """A bar of round length, between a ninth and a quarter of the picture."""
    height, width = sheet.pixels.shape[:2]
    most = width / 4 / camera.scale
    ten = 10.0 ** math.floor(math.log10(most))
    long = next(n * ten for n in (5, 2, 1) if n * ten <= most * (1 + 1e-9))
    x, y, end = 14.5, height - 14.5, 14.5 + long * camera.scale
    text = f"{f'{long:.10f}'.rstrip('0').rstrip('.')} {unit}"
    roomy = end + 8 + length_of(text, 9) < width
    sheet.line([(x, y - 3), (end, y - 3)], PAPER, 12)
    if roomy:
        sheet.halo(end + 8, y, text, 9)
        sheet.write(text, end + 8, y, 9)
    sheet.line([(x, y), (end, y)], GRAPHITE, 1.4)
    parts = round(long / ten)
    for tick in range(parts + 1):
        at = x + (end - x) * tick / parts
        sheet.line([(at, y - 6), (at, y)], GRAPHITE, 1.4)


def _bed_corners(mesh: Mesh, bed: tuple[float, float, float]) -> FloatArray:
    """The corners of the bed with the part in its middle, (5, 3), going round and back to the first."""
    x, y = (mesh.low[:2] + mesh.high[:2]) / 2
    return np.array([(x + sx * bed[0] / 2, y + sy * bed[1] / 2, 0.0) for sx, sy in ((-1, -1), (1, -1), (1, 1), (-1, 1), (-1, -1))])


def _bed_lines(camera: Camera, mesh: Mesh, bed: tuple[float, float, float] | None) -> list[FloatArray]:
    """The outline of the bed, or its level when nobody said how large it is: polylines (k, 3) of pixels and depth."""
    if bed is None:
        if abs(camera.toward[2]) > 0.5:
            return []
        bed = (4 * mesh.across,) * 3
    return [camera.project(_bed_corners(mesh, bed))]


def _behind(sheet: Sheet, line: FloatArray, seen: Raster) -> None:
    """Draw a dashed line where it does not go behind the part."""
    height, width = sheet.pixels.shape[:2]
    for a, b in pairwise(line):
        steps = min(max(int(np.abs(b - a)[:2].max() / 8), 1), 2000)
        points = a + (b - a) * np.linspace(0, 1, 2 * steps + 1)[:, None]
        for p, q in zip(points[:-1:2], points[1::2], strict=False):
            x, y = (p[:2] + q[:2]) / 2
            if 0 <= x < width and 0 <= y < height and seen.depth[int(y * FINE), int(x * FINE)] > p[2] - 1e-6:
                sheet.line([(p[0], p[1]), (q[0], q[1])], SOFT, 1.0)
