"""What a page shows of one part: its mesh packed, its findings as patches and pins, the bed and the pull, and stills for want of more."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from lint.report.pencil import drawable
from lint.report.still import picture
from lint.report.tally import groups
from lint.settings import Settings
from lint.terms import BoolArray, Finding, FloatArray, IntArray, Part, Place
from lint.view.pack import Packed, pack, pack_values, runs
from lint.view.thin import Thinned, thin

FACES = 300_000  # more are thinned: a slow machine still turns this many
_WHOLE = 2_400_000  # faces of all parts of one page together
_LEAST = 20_000
STILL = (480, 360)
_EVERYWHERE = 0.4  # a place that reaches over this share of the part's size and names no faces is no place for a pin
_GATHERED = 1.1  # cubes' sides from the mean of points in one cube to the nearest of them, at most (Jung's theorem)
_AHEAD = (0.435, -0.819, 0.375)  # as the viewer first looks at a part


@dataclass(frozen=True)
class Patch:
    """The faces of a finding: its number on the page, its weight from 1 to 3, runs of packed faces: first, length, first, length, ..."""

    number: int
    weight: int
    runs: tuple[int, ...]


@dataclass(frozen=True)
class Pin:
    """The place of a finding, in the coordinates of the part."""

    number: int
    weight: int
    at: tuple[float, float, float]
    reach: float


@dataclass(frozen=True)
class Scene:
    """One part as a page shows it; small enough to be sent between processes.

    mesh: as lint.view.pack writes it; shown and whole: faces it has and the part has; off: how far what is shown may lie from the part,
    mm. bed: room in the printer, mm; pull: the way the mould comes off, in the coordinates of the part. to: (16,) column by column, to
    the coordinates that two parts are shown in together. moved: packed distances of its points, which went up to farthest, mm; scale:
    where the steps of their map end, mm. stills: what they show, and PNG bytes.
    """

    mesh: bytes
    shown: int
    whole: int
    off: float
    patches: tuple[Patch, ...] = ()
    pins: tuple[Pin, ...] = ()
    bed: tuple[float, float, float] | None = None
    pull: tuple[float, float, float] | None = None
    to: tuple[float, ...] | None = None
    moved: bytes | None = None
    scale: float = 0.0
    stills: tuple[tuple[str, bytes], ...] = ()

    @property
    def size(self) -> int:
        """Bytes in all."""
        return len(self.mesh) + len(self.moved or b"") + sum(len(still) for _, still in self.stills)


def faces_each(parts: int) -> int:
    """How many faces of each part are shown, so that a page of many parts stays one that a browser opens."""
    return max(_LEAST, min(FACES, _WHOLE // max(parts, 1)))


def in_order(findings: Sequence[Finding]) -> list[Finding]:
    """Findings in the order in which a page lists and numbers them: by rule, the worst first."""
    return [finding for group in groups(findings) for finding in group.findings]


def scene_of(
    part: Part,
    findings: Sequence[Finding],
    settings: Settings | None,
    *,
    most: int = FACES,
    first: int = 1,
    stills: int = 2,
    to: FloatArray | None = None,
    away: Callable[[FloatArray], FloatArray] | None = None,
) -> Scene | None:
    """The scene of a part; None when it has no face that can be drawn.

    findings: in the order of the page; they are numbered from `first` on. most: faces shown. stills: pictures wanted, the second one
    of the worst place. to: (4, 4), see Scene. away: distance of points (n, 3) from where the skin was, for the map of its movement.
    """
    mesh = drawable(part)
    if not len(mesh.faces):
        return None
    thinned = thin(mesh.vertices, mesh.faces, most) if len(mesh.faces) > most else None
    packed = pack(mesh.vertices, mesh.faces) if thinned is None else pack(thinned.vertices, thinned.faces)
    new = np.full(len(part.faces), -1, dtype=np.int64)
    new[mesh.number] = np.arange(len(mesh.number))
    patches, pins = [], []
    size = float(np.linalg.norm(np.ptp(mesh.vertices[mesh.faces.reshape(-1)], axis=0)))
    for number, finding in enumerate(findings, first):
        place = finding.place
        if place is None or not np.isfinite((*place.centre, place.reach)).all():
            continue
        if place.reach <= _EVERYWHERE * size or place.faces is not None:
            pins.append(Pin(number, int(finding.weight), _on_skin(part, place), place.reach))
        if place.faces is not None and len(place.faces):
            held = new[place.faces]
            chosen = _carried(mesh.faces[held[held >= 0]], held[held >= 0], packed, thinned, len(mesh.faces))
            if chosen.any():
                patches.append(Patch(number, int(finding.weight), tuple(runs(chosen))))
    moved, scale = _movement(mesh.vertices, packed, thinned, away)
    return Scene(
        mesh=packed.data,
        shown=len(packed.order),
        whole=len(part.faces),
        off=packed.off + (_GATHERED * thinned.cell if thinned is not None else 0.0),
        patches=tuple(patches),
        pins=tuple(pins),
        bed=settings.bed if settings is not None and part.units is not None else None,
        pull=_pull(part, settings),
        to=None if to is None else tuple(float(v) for v in np.asarray(to).T.reshape(-1)),
        moved=moved,
        scale=scale,
        stills=_stills(part, findings if first == 1 else (), settings, stills),
    )


def _carried(corners: IntArray, held: IntArray, packed: Packed, thinned: Thinned | None, count: int) -> BoolArray:
    """Which packed faces belong to a patch of the faces `held`, whose corners are (j, 3)."""
    if thinned is not None:
        return thinned.carried(corners)[packed.order] if len(held) else np.zeros(len(packed.order), dtype=bool)
    mask = np.zeros(count, dtype=bool)
    mask[held] = True
    return mask[packed.order]


def _on_skin(part: Part, place: Place) -> tuple[float, float, float]:
    """Where a pin goes in: the face of the place nearest to its middle, for the middle of a rim or of a bent patch hangs in the air."""
    if place.faces is None or not len(place.faces):
        return place.centre
    middles = part.vertices[part.faces[place.faces]].mean(axis=1)
    away = np.linalg.norm(middles - place.centre, axis=1)
    x, y, z = middles[int(np.nanargmin(away))] if np.isfinite(away).any() else place.centre
    return (float(x), float(y), float(z))


def _pull(part: Part, settings: Settings | None) -> tuple[float, float, float] | None:
    if settings is None or settings.pull is None or not any(settings.pull):
        return None
    x, y, z = part.placement[:3, :3] @ np.asarray(settings.pull)
    return (float(x), float(y), float(z))


def _movement(
    vertices: FloatArray, packed: Packed, thinned: Thinned | None, away: Callable[[FloatArray], FloatArray] | None
) -> tuple[bytes | None, float]:
    """How far each point shown lies from the old skin, and a round number where the map of it ends.

    A point of a thin copy lies off the skin by itself: it is given the worst of the points of the part that it stands for. The map is
    for the skin that was kept: what lies farther than 2 mm off is new (a base, a filled rim) and would leave one step for all.
    """
    if away is None:
        return None, 0.0
    values = away(vertices[packed.came]) if thinned is None else thinned.worst(away(vertices))[packed.came]
    kept = values[values < 2.0]
    most = float(np.quantile(kept, 0.98)) if len(kept) else 0.0
    return pack_values(values), next((s for s in (0.05, 0.1, 0.2, 0.5, 1.0) if s >= most), 2.0)


def _stills(part: Part, findings: Sequence[Finding], settings: Settings | None, wanted: int) -> tuple[tuple[str, bytes], ...]:
    bed = settings.bed if settings is not None else None
    made = []
    if wanted > 0:
        made.append(("the whole part", picture(part, findings, view=_AHEAD, size=STILL, bed=bed)))
    worst = next(((n, f.place) for n, f in enumerate(findings, 1) if _small(part, f.place)), None)
    if wanted > 1 and worst is not None:
        number, place = worst
        assert place is not None
        made.append((f"the surroundings of place {number}", picture(part, findings, view=_facing(part, place), size=STILL, close_up=place)))
    return tuple(made)


def _small(part: Part, place: Place | None) -> bool:
    """Whether a close-up of this place would show more than the whole part does."""
    if place is None or not np.isfinite((*place.centre, place.reach)).all():
        return False
    used = part.vertices[np.isfinite(part.vertices).all(axis=1)]
    return place.reach < 0.3 * float(np.linalg.norm(np.ptp(used, axis=0)))


def _facing(part: Part, place: Place) -> tuple[float, float, float]:
    """The way most of a place faces, so that it is looked at from outside."""
    if place.faces is not None and len(place.faces):
        a, b, c = (part.vertices[part.faces[place.faces][:, i]] for i in range(3))
        way = np.cross(b - a, c - a)
        total, area = way.sum(axis=0), float(np.linalg.norm(way, axis=1).sum())
        if np.isfinite(total).all() and np.linalg.norm(total) > 0.25 * area > 0:
            x, y, z = total / np.linalg.norm(total)
            return (float(x), float(y), float(z))
    return _AHEAD
