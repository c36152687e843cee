"""Weld the two sides of a crack: points that should be one are drawn to their middle. No face is lost."""

from __future__ import annotations

import numpy as np

from lint.measure import Survey
from lint.measure.cracks import Cracks
from lint.measure.edges import Edges
from lint.measure.joining import components
from lint.measure.surface import Skin
from lint.terms import BoolArray, Declined, Fix, FloatArray, IntArray, Job, Part, Promise, Shaped, Touch

# A shell that was a loose sheet may be seen for the first time to face in, to cross another, or to be sealed.
SEEN_ONLY_NOW = (6, 7, 8, 9, 10, 37)
ROUNDS = 8

fix = Fix(
    name="weld",
    touch=Touch.RECORD,
    does="joins points along cracks too fine to see, each pair at its middle",
)


@fix.make
def make(job: Job) -> Shaped:
    """Join matched ends of crack edges no wider than the findings allow. A join that would fold a face or crowd an edge is left out."""
    tolerance = max((f.limit for f in job.findings if f.limit is not None), default=0.0)
    skin: Skin = job.survey.get("skin")
    cracks: Cracks = job.survey.get("cracks")
    narrow = cracks.gap <= tolerance
    if not narrow.any():
        raise Declined("no crack is narrow enough to be one")
    links = np.vstack(
        [np.stack((cracks.one[narrow, k], cracks.other[narrow, k]), axis=1) for k in (0, 1)]
    )
    links = links[links[:, 0] != links[:, 1]]
    refused = np.zeros(len(skin.vertices), dtype=bool)
    for _ in range(ROUNDS):
        label = _clusters(links[~refused[links].any(axis=1)], len(skin.vertices))
        part = _joined(job.part, skin, label)
        bad = _harmed(skin, label, job.survey.get("edges"), part, tolerance)
        if not bad.any():
            break
        refused |= bad
    else:
        raise Declined("the cracks are so tangled that joining them would fold faces over")
    if (label == np.arange(len(label))).all():
        raise Declined("joining the cracks would fold faces or crowd edges")
    was, now = int(job.survey.get("shells").count), int(Survey(part).get("shells").count)
    whole = not refused.any()
    return Shaped(
        part,
        Promise(
            skin_max=tolerance,
            skin_p99=tolerance,
            volume="any",
            pieces="same" if now == was else "fewer",
            clears=tuple({f.rule for f in job.findings}) if whole else (),
            lessens=() if whole else tuple({f.rule for f in job.findings}),
            may_raise=SEEN_ONLY_NOW,
        ),
        f"joined {int((label != np.arange(len(label))).sum())} split points along cracks up to {float(cracks.gap[narrow].max()):.2g} wide",
    )


def _clusters(links: IntArray, count: int) -> IntArray:
    """(count,) for each point the smallest number among the points it is linked to."""
    group = components(count, links[:, 0], links[:, 1])[0]
    least = np.full(int(group.max(initial=0)) + 1, count)
    np.minimum.at(least, group, np.arange(count))
    return least[group]


def _joined(part: Part, skin: Skin, label: IntArray) -> Part:
    number = np.bincount(label, minlength=len(label))
    moved = np.flatnonzero(number > 1)
    vertices = skin.vertices.copy()
    for axis in range(3):
        vertices[moved, axis] = np.bincount(label, weights=skin.vertices[:, axis], minlength=len(label))[moved] / number[moved]
    kept = np.flatnonzero(number > 0)
    new = np.full(len(label), -1, dtype=np.int64)
    new[kept] = np.arange(len(kept))
    return part.with_mesh(vertices[kept], new[label[skin.faces]])


def _harmed(skin: Skin, label: IntArray, before: Edges, part: Part, tolerance: float) -> BoolArray:
    """(n,) points whose joining folds a face, crowds an edge, or draws a point farther than the tolerance."""
    count = np.bincount(label, minlength=len(label))
    bad = np.zeros(len(label), dtype=bool)
    f = skin.faces
    g = label[f]
    for i, j in ((0, 1), (1, 2), (2, 0)):
        folded = (g[:, i] == g[:, j]) & (f[:, i] != f[:, j])
        bad[g[folded, i]] = True
    middle: FloatArray = np.stack([np.bincount(label, weights=skin.vertices[:, k], minlength=len(label)) for k in range(3)], axis=1)
    bad[label[((middle[label] / count[label][:, None] - skin.vertices) ** 2).sum(axis=1) > tolerance**2]] = True
    edges: Edges = Survey(part).get("edges")
    if len(edges.crowded) > len(before.crowded):
        kept = np.flatnonzero(count > 0)
        old = kept[_original(part, edges.ends[edges.crowded])]
        bad[old[count[old] > 1]] = True
    return bad[label]


def _original(part: Part, points: IntArray) -> IntArray:
    """Numbers of the part's own points for skin points of its survey."""
    old = Survey(part).get("skin").old
    back = np.empty(int(old.max()) + 1, dtype=np.int64)
    back[old] = np.arange(len(old))
    return back[points]
