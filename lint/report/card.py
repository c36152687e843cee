"""The picture sheet of a part, laid out like a job card: four views, close-ups of the worst findings, and what each number means."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from lint.report import still
from lint.report.ink import CHALK, GRAPHITE, PAPER, SOFT, Sheet, lines_of, pattern, shortened
from lint.report.pencil import Mesh, drawable
from lint.report.plain import many, number, shown
from lint.report.png import png
from lint.report.raster import facing
from lint.report.still import HATCH, View, draw
from lint.report.tally import groups, rules_text
from lint.terms import Finding, FloatArray, Outcome, Part, PartReport, Place, Weight

WIDE = 1500
MOST = 12  # findings on a card: more pins than that hide the part
EACH = 3  # of one rule, as many as the other reports show
CLOSE_UPS = 3
_SIDES = {"front": "the front", "side": "the right", "left": "the left", "back": "the back", "top": "above", "under": "below"}
_EDGE = 24
_HEAD = 92
_VIEW = (484, 363)
_CLOSE = (WIDE - 2 * _EDGE - 2 * _VIEW[0] - 16, (2 * _VIEW[1] + 8 - 2 * 8) // 3)
_ENTRY = 58


def render(report: PartReport, part: Part, *, version: str = "", edition: int = 1) -> bytes:
    """The bytes of a PNG: the sheet of a part that was judged. part: with its mesh, which the report may have let go."""
    return png(card(report, part, version=version, edition=edition).bytes())


def card(report: PartReport, part: Part, *, version: str = "", edition: int = 1) -> Sheet:
    """The sheet itself."""
    mesh = drawable(part)
    bed = report.settings.bed if report.settings is not None else part.ticket.print.bed
    found = chosen(report.findings)
    rows = (len(found) + 1) // 2
    below = _HEAD + 2 * _VIEW[1] + 8 + 24
    sheet = Sheet(WIDE, below + max(rows * _ENTRY, 40) + 92)
    _head(sheet, report, part, version, edition)
    seen: dict[int, list[str]] = {}
    views = ["front", "side", "under" if _flat_below(mesh) else "back", "top"]
    for place, view in enumerate(views):
        drawn = draw(part, found, view=view, size=_VIEW, bed=bed, mesh=mesh)
        _paste(sheet, drawn.sheet, _EDGE + (place % 2) * (_VIEW[0] + 8), _HEAD + (place // 2) * (_VIEW[1] + 8))
        for pinned in drawn.pins:
            seen.setdefault(pinned, []).append(view)
    for column, (index, way, close_up) in enumerate(_right_column(part, mesh, found)):
        title = f"{index} close to, from {_side(way)}" if index else f"from {_side(way)}"
        drawn = draw(part, found, view=way, size=_CLOSE, close_up=close_up, title=title, mesh=mesh)
        _paste(sheet, drawn.sheet, _EDGE + 2 * (_VIEW[0] + 8), _HEAD + column * (_CLOSE[1] + 8))
        if index:
            seen.setdefault(index, []).append("close to")
    _list(sheet, found, seen, below)
    _foot(sheet, report, found, mesh, bed)
    return sheet


def chosen(findings: Sequence[Finding]) -> list[Finding]:
    """The findings a card has room for: one of each rule, then a second and third of each, worst first. Those that count go first."""
    kept: list[Finding] = []
    for counts in (True, False):
        found = groups(f for f in findings if f.counts is counts)
        for turn in range(EACH):
            kept += [group.findings[turn] for group in found if len(group.findings) > turn]
    kept = kept[:MOST]
    return sorted(kept, key=lambda f: (not f.counts, -f.weight, f.rule))


def worst(found: Sequence[Finding], mesh: Mesh) -> list[tuple[int, Place]]:
    """Findings worth a closer look: number and place, one of each rule first; not what a view of the whole shows as well.

    A place that an earlier one shows already is left out.
    """
    fit = [(i, f.rule, f.place) for i, f in enumerate(found, 1) if f.place is not None and f.place.reach < 0.12 * mesh.across]
    first = {rule: i for i, rule, _ in reversed(fit)}
    kept: list[tuple[int, Place]] = []
    for i, _, place in sorted(fit, key=lambda item: (first[item[1]] != item[0], item[0])):
        room = 0.04 * mesh.across
        if all(math.dist(place.centre, other.centre) > max(room, other.reach) for _, other in kept):
            kept.append((i, place))
    return kept


def _right_column(part: Part, mesh: Mesh, found: Sequence[Finding]) -> list[tuple[int, View, Place | None]]:
    """What is drawn beside the four views: finding, from where, and its place; views at a slant (finding 0) where few are worth it."""
    close: list[tuple[int, View, Place | None]] = []
    for index, place in worst(found, mesh)[: 2 * CLOSE_UPS]:
        way = best_view(part, mesh, found, index, place) if len(close) < CLOSE_UPS else None
        if way is not None:
            close.append((index, way, place))
    slants: list[View] = [(-0.8, -1.0, 0.7), (0.8, 1.0, 0.7), (0.8, -1.0, -0.7)]
    return close + [(0, way, None) for way in slants[: CLOSE_UPS - len(close)]]


def best_view(part: Part, mesh: Mesh, found: Sequence[Finding], index: int, close_up: Place) -> View | None:
    """From where a finding is seen best: a direction in which its faces look and nothing stands before them; None when there is none."""
    ways: list[View] = ["front", "side", "back", "left", "top", "under"]
    ways += [(x, y, z) for z in (0.8, -0.8) for x in (-1.0, 1.0) for y in (-1.0, 1.0)]
    place = found[index - 1].place
    assert place is not None
    look: FloatArray
    if place.faces is not None and len(place.faces):
        held = np.isin(mesh.number, place.faces)
        corners = mesh.vertices[mesh.faces[held]]
        look = 0.5 * np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    else:
        look = (np.array(place.centre) - (mesh.low + mesh.high) / 2)[None]
    shows = [float(np.clip(look @ facing(way)[2], 0, None).sum()) for way in ways]
    order = sorted(range(len(ways)), key=lambda i: (-round(shows[i], 9), i))
    for i in order[:5]:
        if index in draw(part, found, view=ways[i], size=(160, 120), close_up=close_up, mesh=mesh).pins:
            return ways[i]
    return None


def _side(view: View) -> str:
    if isinstance(view, str):
        return _SIDES[view]
    x, y, z = view
    return f"{'above' if z > 0 else 'below'}, {'right' if x > 0 else 'left'} {'back' if y > 0 else 'front'}"


def _flat_below(mesh: Mesh) -> bool:
    """Whether the part stands on a flat base of some size, whose underside then says more than its back."""
    if not len(mesh.faces):
        return False
    down = np.flatnonzero(mesh.normal[:, 2] < -0.999)
    corners = mesh.vertices[mesh.faces[down]]
    low = corners[:, :, 2].max(axis=1) < mesh.low[2] + 0.02
    cross = np.cross(corners[low, 1] - corners[low, 0], corners[low, 2] - corners[low, 0])
    room = float(np.prod((mesh.high - mesh.low)[:2]))
    return bool(0.5 * np.abs(cross[:, 2]).sum() > 0.2 * room > 0)


def _paste(sheet: Sheet, small: Sheet, x: int, y: int) -> None:
    height, width, _ = small.pixels.shape
    sheet.pixels[y : y + height, x : x + width] = small.pixels
    sheet.box(x, y, x + width, y + height, SOFT, 1.0)


def _head(sheet: Sheet, report: PartReport, part: Part, version: str, edition: int) -> None:
    sheet.disc((_EDGE + 14, 40), 12, SOFT)  # where the card hangs on its nail
    sheet.disc((_EDGE + 14, 40), 10.5, PAPER)
    sheet.write(shortened(shown(report.path.name), 22, WIDE - 480), _EDGE + 44, 42, 22, weight=2.2)
    facts = [many(len(part.faces), "face")]
    if report.extents is not None:
        facts.append(" x ".join(f"{v:.1f}" for v in report.extents) + " mm")
    elif part.units is None:
        facts.append("units unknown")
    idle = len(report.ended[Outcome.NOT_RUN])
    if idle:
        facts.append(f"{many(idle, 'rule')} not run")
    broke = [r.number for r in report.ended[Outcome.BROKE]]
    if broke:
        facts.append(f"{rules_text(broke)} broke: a bug of buckwright")
    sheet.write(shortened(", ".join(facts), 12, WIDE - 400), _EDGE + 44, 68, 12, CHALK if broke else SOFT)
    weights = [many(sum(f.weight is w and f.counts for f in report.findings), w.word) for w in reversed(Weight)]
    sheet.write(", ".join(weights), WIDE - _EDGE, 42, 16, CHALK if any(f.counts for f in report.findings) else GRAPHITE, 1.8, at=1.0)
    sheet.write(f"buckwright {version}, edition {edition}".replace(" ,", ","), WIDE - _EDGE, 68, 10, SOFT, at=1.0)
    sheet.line([(_EDGE, _HEAD - 12), (WIDE - _EDGE, _HEAD - 12)], GRAPHITE, 1.6)


def _list(sheet: Sheet, found: Sequence[Finding], seen: dict[int, list[str]], top: int) -> None:
    if not found:
        sheet.write("nothing was found", _EDGE, top + 20, 14)
    rows = (len(found) + 1) // 2
    half = (WIDE - 2 * _EDGE) // 2
    for index, finding in enumerate(found, 1):
        x, y = _EDGE + (index - 1) // rows * half, top + (index - 1) % rows * _ENTRY
        still.disc(sheet, (x + 12, y + 14), index, finding.weight)
        state = " accepted" if finding.accepted is not None else " on trial" if finding.trial else ""
        where = "the whole part" if finding.place is None else "inside or hidden, in no view"
        if index in seen:
            where = "seen " + ", ".join(seen[index])
        x += 34
        room = half - 50
        title = f"{finding.weight.word}{state}: {finding.name} (rule {finding.rule})"
        wide = sheet.write(shortened(title, 12, room), x, y + 14, 12, weight=1.6)
        if wide + 190 < room:
            sheet.write(shortened(where, 9, room - wide - 14), x + wide + 14, y + 14, 9, SOFT, 1.2)
        for line, words in enumerate(lines_of(shown(finding.message), 9.5, room, 2)):
            sheet.write(words, x, y + 30 + 14 * line, 9.5, GRAPHITE, 1.15)


def _foot(sheet: Sheet, report: PartReport, found: Sequence[Finding], mesh: Mesh, bed: tuple[float, float, float] | None) -> None:
    height = sheet.pixels.shape[0]
    y = height - 72
    sheet.line([(_EDGE, y), (WIDE - _EDGE, y)], GRAPHITE, 1.0)
    x = _EDGE
    swatches = [(w.word, HATCH[w]) for w in reversed(Weight)]
    for word, kind in swatches:
        mask = pattern(kind, 1, 56, 36, 2).astype(np.float64).reshape(18, 2, 28, 2).mean(axis=(1, 3))
        sheet.lay(mask, x, y + 18, CHALK)
        if kind != "dotted":
            sheet.box(x, y + 18, x + 28, y + 36, CHALK, 1.0)
        x += 38 + round(sheet.write(word, x + 36, y + 33, 11)) + 24
    dots = pattern("dotted", 0, 56, 36, 2).astype(np.float64).reshape(18, 2, 28, 2).mean(axis=(1, 3))
    sheet.lay(np.full((18, 28), 0.35), x, y + 18, GRAPHITE)
    sheet.lay(dots, x, y + 18, GRAPHITE)
    x += 38 + round(sheet.write("inside of the skin", x + 36, y + 33, 11)) + 24
    sheet.line([(x, y + 27), (x + 28, y + 27)], SOFT, 1.0, dash=4)
    x += 38 + round(sheet.write("bed, at height 0", x + 36, y + 33, 11)) + 24
    left = len(report.findings) - len(found)
    words = "close-ups show the surroundings of one finding; no view is foreshortened"
    if left > 0:
        words = f"and {many(left, 'more finding', 'more findings')}, told in the other reports; {words}"
    sheet.write(words, _EDGE, height - 16, 9, SOFT)
    if bed is not None and len(mesh.faces):
        _plan(sheet, mesh, bed, WIDE - _EDGE, y + 6, 60)


def _plan(sheet: Sheet, mesh: Mesh, bed: tuple[float, float, float], right: int, top: int, tall: int) -> None:
    """A little plan: how much of the bed the box of the part takes."""
    wide, deep = mesh.high[0] - mesh.low[0], mesh.high[1] - mesh.low[1]
    scale = min(tall / max(bed[1], deep), 110 / max(bed[0], wide))
    middle = (right - max(bed[0], wide) * scale / 2, top + tall / 2)
    for w, d, ink, dash in ((bed[0], bed[1], SOFT, 4.0), (wide, deep, GRAPHITE, 0.0)):
        x, y = w * scale / 2, d * scale / 2
        sheet.box(middle[0] - x, middle[1] - y, middle[0] + x, middle[1] + y, ink, 1.1, dash)
    words = f"on a bed of {number(bed[0])} x {number(bed[1])} mm"
    sheet.write(words, right - max(bed[0], wide) * scale - 12, top + tall / 2 + 5, 10, SOFT, at=1.0)
