"""The picture of a fix: the part before and after through the same eyes, and a map of where its skin moved, with the scale of the map.

The map is measured at each drawn spot of the finished skin: how far it lies from the old skin, and to which side. Old skin that was
taken away shows where the two rows differ.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from lint.measure.nearest import Closest
from lint.report import still
from lint.report.card import chosen
from lint.report.ink import CHALK, GRAPHITE, PAPER, SOFT, Ink, Pixels, Sheet, pattern, shortened
from lint.report.pencil import FINE, Mesh, drawable, shaded, smaller
from lint.report.plain import many, number, shown
from lint.report.png import png
from lint.report.raster import Camera, Raster, framed, rasterise
from lint.terms import BoolArray, Finding, FloatArray, IntArray, Mended, Part, Place, Weight

WIDE = 1500
_EDGE = 24
_HEAD = 92
_VIEW = ((WIDE - 2 * _EDGE - 2 * 8) // 3, 330)
_SLATE: Ink = (0.11, 0.30, 0.47)

# Steps of the map, mm from the old skin: bare paper up to the first, new skin beyond the last. 0.1 mm is what a nozzle can show.
STEPS = (0.02, 0.1, 0.5, 2.0)
_KINDS = ("dotted", "lined", "crossed")


@dataclass(frozen=True)
class Moved:
    """How far the finished skin lies from the old at some points: (k,) mm, positive where it was raised, negative where sunk."""

    by: FloatArray

    def step(self) -> IntArray:
        """Which step of the map each point is on, (k,): 0 where it stayed."""
        return np.searchsorted(np.array(STEPS), np.abs(self.by))


def render(mended: Mended, before: Part, *, version: str = "", edition: int = 1) -> bytes:
    """The bytes of a PNG. before: the part as it was read, with its mesh; mended: with the finished one."""
    return png(sheet_of(mended, before, version=version, edition=edition).bytes())


def carried(before: Part, after: Part) -> tuple[Part, FloatArray]:
    """The old part in the coordinates of the finished one, and the (4, 4) that took it there."""
    matrix = after.placement @ np.linalg.inv(before.placement)
    faces = before.faces[:, ::-1] if np.linalg.det(matrix[:3, :3]) < 0 else before.faces
    return before.with_mesh(before.vertices @ matrix[:3, :3].T + matrix[:3, 3], faces, moved=matrix, units=after.units), matrix


def moved_at(points: FloatArray, old: Mesh) -> Moved:
    """How far points (k, 3) lie from the old skin. Raised is the side that the old skin's nearest face looks to."""
    if not len(points) or not len(old.faces):
        return Moved(np.zeros(len(points)))
    away, face, nearest = Closest(old.vertices, old.faces)(points)
    side = np.einsum("ij,ij->i", points - nearest, old.normal[face])
    return Moved(np.where(side < 0, -away, away))


def sheet_of(mended: Mended, before: Part, *, version: str = "", edition: int = 1) -> Sheet:
    """The sheet itself."""
    old, matrix = carried(before, mended.part)
    scale = float(np.cbrt(abs(np.linalg.det(matrix[:3, :3]))))
    was = chosen([_carried(f, matrix, scale) for f in mended.before.findings])
    now = chosen(mended.after.findings)
    meshes = drawable(old), drawable(mended.part)
    lines = max(len(was), len(now), len(mended.steps), 1)
    top = _HEAD + 3 * (_VIEW[1] + 8) + 12
    sheet = Sheet(WIDE, top + 26 + lines * 24 + 74)
    _head(sheet, mended, version, edition)
    for column, view in enumerate(("front", "side", "top")):
        x = _EDGE + column * (_VIEW[0] + 8)
        frame = np.vstack([m.used for m in meshes if len(m.faces)] or [np.zeros((1, 3))])
        for row, (part, mesh, found, word) in enumerate(((old, meshes[0], was, "before"), (mended.part, meshes[1], now, "after"))):
            drawn = still.draw(part, found, view=view, size=_VIEW, title=f"{word}, {view}", mesh=mesh, frame=frame)
            _paste(sheet, drawn.sheet, x, _HEAD + row * (_VIEW[1] + 8))
        _paste(sheet, _map(meshes[1], meshes[0], view, frame), x, _HEAD + 2 * (_VIEW[1] + 8))
    _lists(sheet, mended, was, now, top)
    _scale(sheet, sheet.pixels.shape[0] - 52)
    return sheet


def _carried(finding: Finding, matrix: FloatArray, scale: float) -> Finding:
    place = finding.place
    if place is None:
        return finding
    x, y, z = matrix[:3, :3] @ np.array(place.centre) + matrix[:3, 3]
    return replace(finding, place=Place((float(x), float(y), float(z)), place.reach * scale, place.faces))


def _map(new: Mesh, old: Mesh, view: str, frame: FloatArray) -> Sheet:
    """The finished part with its skin hatched by how far it lies from the old."""
    sheet = Sheet(*_VIEW)
    if not len(new.faces):
        return sheet
    camera = framed(frame, view, _VIEW, room=still.ROOM)
    fine = camera.larger(FINE)
    seen = rasterise(new.vertices, new.faces, fine)
    pixels = shaded(new, seen, fine)
    pixels += 0.45 * (np.array(PAPER, dtype=np.float32) - pixels)
    coarse = rasterise(new.vertices, new.faces, camera)
    _hatch(pixels, moved_at(_points(coarse, camera), old), coarse.face >= 0)
    sheet.pixels[:] = smaller(pixels)
    still.scale_bar(sheet, camera, "mm")
    title = f"where the skin moved, {view}"
    sheet.halo(14, 26, title, 12)
    sheet.write(title, 14, 26, 12)
    return sheet


def _points(seen: Raster, camera: Camera) -> FloatArray:
    """The points of the part that are drawn, (k, 3) mm, row by row."""
    rows, columns = np.nonzero(seen.face >= 0)
    across = (columns + 0.5 - camera.size[0] / 2) / camera.scale
    above = (camera.size[1] / 2 - rows - 0.5) / camera.scale
    axes = np.stack((camera.right, camera.up, -camera.toward))
    made: FloatArray = camera.middle + np.stack((across, above, seen.depth[rows, columns]), axis=1) @ axes
    return made


def _hatch(pixels: Pixels, moved: Moved, drawn: BoolArray) -> None:
    height, width, _ = pixels.shape
    step, raised = np.zeros(drawn.shape, dtype=np.int64), np.zeros(drawn.shape, dtype=bool)
    step[drawn], raised[drawn] = moved.step(), moved.by > 0
    step, raised = (a.repeat(FINE, axis=0).repeat(FINE, axis=1) for a in (step, raised))
    for which, kind in enumerate(_KINDS, 1):
        for up, ink in ((True, CHALK), (False, _SLATE)):
            pixels[(step == which) & (raised == up) & pattern(kind, int(up), width, height, FINE)] = ink
    pixels[(step == len(STEPS)) & _new_skin(width, height)] = GRAPHITE


def _new_skin(width: int, height: int) -> BoolArray:
    """Level lines, for skin that is far from any old."""
    lines: BoolArray = np.broadcast_to(np.arange(height)[:, None] % (5 * FINE) < FINE, (height, width))
    return lines


def _paste(sheet: Sheet, small: Sheet, x: int, y: int) -> None:
    height, width, _ = small.pixels.shape
    sheet.pixels[y : y + height, x : x + width] = small.pixels
    sheet.box(x, y, x + width, y + height, SOFT, 1.0)


def _head(sheet: Sheet, mended: Mended, version: str, edition: int) -> None:
    sheet.disc((_EDGE + 14, 40), 12, SOFT)
    sheet.disc((_EDGE + 14, 40), 10.5, PAPER)
    sheet.write(shortened(shown(mended.before.path.name), 22, WIDE - 620), _EDGE + 44, 42, 22, weight=2.2)
    sheet.write(f"{many(mended.before.faces, 'face')} before, {len(mended.part.faces):,} after", _EDGE + 44, 68, 12, SOFT)
    stops = [sum(f.weight is Weight.STOP and f.counts for f in r.findings) for r in (mended.before, mended.after)]
    cautions = [sum(f.weight is Weight.CAUTION and f.counts for f in r.findings) for r in (mended.before, mended.after)]
    words = f"stops {stops[0]} to {stops[1]}, cautions {cautions[0]} to {cautions[1]}"
    sheet.write(words, WIDE - _EDGE, 42, 16, GRAPHITE, 1.8, at=1.0)
    sheet.write(f"buckwright {version}, edition {edition}", WIDE - _EDGE, 68, 10, SOFT, at=1.0)
    sheet.line([(_EDGE, _HEAD - 12), (WIDE - _EDGE, _HEAD - 12)], GRAPHITE, 1.6)


def _lists(sheet: Sheet, mended: Mended, was: list[Finding], now: list[Finding], top: int) -> None:
    room = _VIEW[0] - 16
    for column, (word, found) in enumerate((("before", was), ("after", now))):
        x = _EDGE + column * (_VIEW[0] + 8)
        sheet.write(word if found else f"{word}: nothing was found", x, top + 12, 13, weight=1.7)
        for row, finding in enumerate(found):
            y = top + 32 + 24 * row
            still.disc(sheet, (x + 12, y + 3), row + 1, finding.weight)
            sheet.write(shortened(f"{finding.weight.word}: {finding.name} (rule {finding.rule})", 10.5, room - 34), x + 32, y + 8, 10.5)
    x = _EDGE + 2 * (_VIEW[0] + 8)
    sheet.write("steps" if mended.steps else "no step was needed", x, top + 12, 13, weight=1.7)
    for row, step in enumerate(mended.steps):
        text = f"{step.name}: {step.outcome}"
        if step.outcome == "done" and step.moved_max is not None and not any(z.kind == "all" for z in step.zones):
            text += f", moved the skin at most {number(round(step.moved_max, 3))} mm" + (" outside its work" if step.zones else "")
        sheet.write(shortened(text, 10.5, room), x, top + 40 + 24 * row, 10.5, GRAPHITE if step.outcome == "done" else SOFT)


def _scale(sheet: Sheet, y: int) -> None:
    """What the hatching of the map means."""
    sheet.line([(_EDGE, y - 14), (WIDE - _EDGE, y - 14)], GRAPHITE, 1.0)
    x: float = _EDGE + sheet.write("finished skin lies from the old:", _EDGE, y + 16, 11) + 20
    bounds = [number(s) for s in STEPS]
    x = _swatch(sheet, x, y, [], f"up to {bounds[0]} mm")
    for which, kind in enumerate(_KINDS, 1):
        marks = [(pattern(kind, up, 56, 36, 2), ink) for up, ink in ((1, CHALK), (0, _SLATE))]
        x = _swatch(sheet, x, y, marks, f"{bounds[which - 1]} to {bounds[which]} mm")
    _swatch(sheet, x, y, [(_new_skin(56, 36), GRAPHITE)], f"new, over {bounds[-1]} mm away")
    sheet.write("left swatch: raised, right swatch: sunk; each hatched the other way", _EDGE, y + 40, 9, SOFT)


def _swatch(sheet: Sheet, x: float, y: int, marks: list[tuple[BoolArray, Ink]], words: str) -> float:
    for mask, ink in marks or [(np.zeros((36, 56), dtype=bool), GRAPHITE)]:
        sheet.lay(mask.astype(np.float64).reshape(18, 2, 28, 2).mean(axis=(1, 3)), round(x), y + 2, ink)
        sheet.box(round(x), y + 2, round(x) + 28, y + 20, SOFT, 1.0)
        x += 34
    return x + sheet.write(words, x + 2, y + 16, 11) + 22
