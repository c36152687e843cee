"""Take out faces that cover nothing: collapsed ones, copies, folded pairs, needles. No edge is opened."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.dross import Twins
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.shape.compact import covers, without
from lint.shape.needles import press_needles, turn_needles
from lint.shape.triangles import spots_on
from lint.terms import BoolArray, Declined, Fix, FloatArray, IntArray, Job, Promise, Shaped, Touch, Zone

# With its copies gone, a shell may be seen for the first time to be mixed, inside out, crossing or overlapping.
SEEN_ONLY_NOW = (7, 8, 9, 10)

SCRAP = 0.005  # of the skin: a folded sheet that touches nothing and is smaller is no sheet that anyone made

ROUNDS = 12  # needles that lie against one another are turned one layer at a time

fix = Fix(
    name="tidy",
    touch=Touch.RECORD,
    does="takes out faces that cover nothing: collapsed ones, copies, folded pairs and needles; no edge is opened",
)


@fix.make
def make(job: Job) -> Shaped:
    """Collapsed faces and twins go out first; then each needle is turned into the face on the other side of its longest edge."""
    least = max((f.limit for f in job.findings if f.limit is not None), default=0.0)
    part, survey = job.part, job.survey
    gone = np.zeros(len(part.faces), dtype=bool)
    gone[survey.get("worthless")] = True
    spare, emptied, rim_shows = _spare_twins(survey.get("twins"), survey.get("edges"), survey.get("facets").area)
    gone |= spare
    dropped = int(gone.sum())
    if gone.all():
        raise Declined("nothing would be left")
    if dropped:
        part = without(part, gone)
    turned = shut = layers = 0
    hung: list[FloatArray] = []
    for _ in range(ROUNDS if least > 0 else 0):
        layer = turn_needles(part, least)
        part, now = press_needles(layer.part, least)
        turned, shut, layers = turned + layer.count, shut + now, layers + bool(now)
        hung += list(layer.hung)
        if not layer.count + now:
            break
    if not dropped + turned + shut:
        raise Declined("the worthless faces hold others together and cannot be taken out without opening an edge")
    fault = {f.rule for f in job.findings}
    after = Survey(part)
    left = _left(after, least)
    move = least * (layers + bool(turned))  # a point may be drawn on by each layer
    was, now = int(job.survey.get("shells").count), int(after.get("shells").count)
    return Shaped(
        part,
        Promise(
            skin_max=move,
            skin_p99=move,
            volume="any",
            pieces="same" if was == now else "any",
            clears=() if left else tuple(fault),
            lessens=tuple(fault) if left else (),
            may_raise=(4, *SEEN_ONLY_NOW) if rim_shows else SEEN_ONLY_NOW,
        ),
        _did(dropped, turned, shut),
        zones=(*(covers(survey.get("skin"), emptied, "faces folded flat were here") if len(emptied) else ()),
               *_where_they_hung(hung)),
    )  # fmt: skip


def _where_they_hung(needles: list[FloatArray]) -> tuple[Zone, ...]:
    """The zone of needles (3, 3) each, with whose corners a bit of skin went: their length may lie far from all that stays."""
    if not needles:
        return ()
    spots, spacing = spots_on(np.concatenate(needles), np.arange(3 * len(needles)).reshape(-1, 3))
    return (Zone.near("needles that hung by one side or none were here", spacing, spots),)


def _did(dropped: int, turned: int, shut: int) -> str:
    out = f"took out {dropped} {'face that covers' if dropped == 1 else 'faces that cover'} nothing" if dropped else ""
    needles, beside = ("needle", "it") if turned == 1 else ("needles", "them")
    into = f"turned {turned} {needles} into the faces beside {beside}" if turned else ""
    drawn = f"drew {shut} {'needle' if shut == 1 else 'needles'} shut" if shut else ""
    return " and ".join(words for words in (out, into, drawn) if words)


def _left(survey: Survey, least: float) -> bool:
    return bool(len(survey.get("worthless")) or len(survey.get("twins").faces) or (survey.get("heights") < least).any())


def _spare_twins(twins: Twins, edges: Edges, area: FloatArray) -> tuple[BoolArray, IntArray, bool]:
    """(m,) faces to take out where several lie on the same points; those of places left empty; whether a rim that a copy hid shows.

    Copies that do not balance leave one face that runs as most of them do; a double wall across a closed skin leaves none. Places
    that balance (folded pairs) are judged together with those they share edges with: where one other face waits at most edges of
    the region's rim, one of each pair stays to close it; where a closed skin passes by, none does, as a pair holds nothing; a
    region that touches nothing is a sheet with two faces, and is left as it is unless it is a mere scrap of the skin.
    """
    gone = np.zeros(len(area), dtype=bool)
    if not len(twins.faces):
        return gone, np.zeros(0, dtype=np.int64), False
    groups = int(twins.group[-1]) + 1
    first = np.searchsorted(twins.group, np.arange(groups))
    size = np.diff(np.append(first, len(twins.group)))
    forward = np.bincount(twins.group, weights=twins.forward, minlength=groups).astype(np.int64)
    balance = 2 * forward - size
    lead = twins.faces[first]
    stands = np.ones(len(area), dtype=bool)
    stands[twins.faces] = False
    stands[lead[balance != 0]] = True
    sides = edges.half_edge.reshape(-1, 3)
    standing = np.bincount(_real(sides[stands]), minlength=len(edges.count))
    around = standing[sides[lead]] - (balance != 0)[:, None]
    keep = (balance != 0) & ~((around >= 2).all(axis=1) & (size % 2 == 0))
    even = np.flatnonzero(balance == 0)
    close, leave = _folded(sides[lead[even]], standing, area[lead[even]], SCRAP * float(area.sum()))
    keep[even[close]] = True
    wanted = np.where(balance == 0, _agreeing(twins, edges, first, stands), balance > 0)
    fits = np.where(twins.forward == wanted[twins.group], np.arange(len(twins.faces)), len(twins.faces))
    best = np.minimum.reduceat(fits, first)
    gone[twins.faces] = True
    gone[twins.faces[best[keep]]] = False
    untouched = np.zeros(groups, dtype=bool)
    untouched[even[leave]] = True
    gone[twins.faces[untouched[twins.group]]] = False
    emptied = twins.faces[~(keep | untouched)[twins.group]]
    return gone, emptied, bool((around[keep & (balance != 0)] == 0).any())


def _real(half_edges: IntArray) -> IntArray:
    flat = half_edges.reshape(-1)
    return flat[flat >= 0]


def _folded(sides: IntArray, standing: IntArray, area: FloatArray, scrap: float) -> tuple[BoolArray, BoolArray]:
    """For folded places with edges sides (k, 3) and area (k,): which are needed to close the skin (k,), which to leave alone (k,)."""
    if not len(sides):
        return np.zeros(0, dtype=bool), np.zeros(0, dtype=bool)
    flat = sides.reshape(-1)
    place = np.repeat(np.arange(len(sides)), 3)
    order = np.argsort(flat, kind="stable")
    same = flat[order[1:]] == flat[order[:-1]]
    one, two = place[order[1:][same]], place[order[:-1][same]]
    region = components(len(sides), one, two)[0]
    regions = int(region.max()) + 1
    waits = np.bincount(region[place], weights=standing[flat] == 1, minlength=regions)
    passes = np.bincount(region[place], weights=standing[flat] >= 2, minlength=regions)
    alone = (waits == 0) & (passes == 0) & (np.bincount(region, weights=area, minlength=regions) > scrap)
    return (waits > passes)[region], alone[region]


def _agreeing(twins: Twins, edges: Edges, first: IntArray, stands: BoolArray) -> BoolArray:
    """(groups,) the direction of the copy that runs against more of the faces that stand around it, as neighbours should."""
    real = np.flatnonzero((edges.half_edge >= 0) & np.repeat(stands, 3))
    flow = np.bincount(edges.half_edge[real], weights=np.where(edges.forward[real], 1.0, -1.0), minlength=len(edges.count))
    half = 3 * twins.faces[first][:, None] + np.arange(3)
    runs = np.where(edges.forward[half], 1.0, -1.0)
    against = -(runs * np.sign(flow[edges.half_edge[half]])).sum(axis=1) >= 0
    found: BoolArray = against == twins.forward[first]
    return found
