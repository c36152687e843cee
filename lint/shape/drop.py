"""Drop stray pieces whole. What stays is not touched."""

from __future__ import annotations

import numpy as np

from lint.measure.surface import Skin
from lint.shape.compact import without
from lint.terms import Declined, Fix, IntArray, Job, Promise, Shaped, Touch, Zone

fix = Fix(
    name="drop",
    touch=Touch.PIECE,
    does="takes out stray pieces whole (specks, hair, table); what stays is not touched",
)


@fix.make
def make(job: Job) -> Shaped:
    """Take out the faces of every piece that a finding names."""
    named = [f.place.faces for f in job.findings if f.place is not None and f.place.faces is not None]
    if not named:
        raise Declined("no stray piece is named")
    drop = np.unique(np.concatenate(named))
    if len(drop) == len(job.part.faces):
        raise Declined("every piece is named, and nothing would be left")
    gone = np.zeros(len(job.part.faces), dtype=bool)
    gone[drop] = True
    shells = job.survey.get("shells")
    pieces = len(np.unique(shells.label[drop]))
    return Shaped(
        without(job.part, gone),
        Promise(volume="any", pieces="fewer", clears=tuple({f.rule for f in job.findings})),
        f"dropped {pieces} stray pieces, {len(drop)} faces",
        zones=covers(job.survey.get("skin"), shells.label, drop),
    )


def covers(skin: Skin, label: IntArray, faces: IntArray) -> tuple[Zone, ...]:
    """Zones close about what is dropped: a ball for each speck, several along a larger piece; balls of like size in one zone."""
    corners = skin.vertices[skin.faces[faces]]
    low, high = corners.min(axis=1), corners.max(axis=1)
    shell = np.unique(label[faces], return_inverse=True)[1]
    count = int(shell.max()) + 1
    least, most = np.full((count, 3), np.inf), np.full((count, 3), -np.inf)
    np.minimum.at(least, shell, low)
    np.maximum.at(most, shell, high)
    length = np.linalg.norm(most - least, axis=1)
    cell = np.floor(((low + high) / 2 - least[shell]) / np.maximum(length[shell, None] / 8, 1e-300)).astype(np.int64)
    large = length > 0.05 * np.linalg.norm(skin.vertices.max(axis=0) - skin.vertices.min(axis=0))
    key = shell * 1000 + np.where(large[shell], cell @ np.array([81, 9, 1]), 0)
    group = np.unique(key, return_inverse=True)[1]
    number = int(group.max()) + 1
    near, far = np.full((number, 3), np.inf), np.full((number, 3), -np.inf)
    np.minimum.at(near, group, low)
    np.maximum.at(far, group, high)
    centre, reach = (near + far) / 2, np.linalg.norm(far - near, axis=1) / 2 * (1 + 1e-9)
    step = np.ceil(np.log2(np.maximum(reach, 1e-12)))
    zones: list[Zone] = []
    for level in np.unique(step):
        spots = tuple((float(x), float(y), float(z)) for x, y, z in centre[step == level])
        zones.append(Zone("near", "a stray piece was here", float(reach[step == level].max()), spots))
    return tuple(zones)
