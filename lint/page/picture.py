"""The meshes that a page shows, as the view takes them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from lint.terms import Finding, Mended, Part
from lint.view.pack import pack, runs


def save(part: Part, path: Path, findings: Sequence[Finding] = ()) -> list[dict[str, Any]]:
    """Write the mesh of a part for the view. Returns the patch of each finding that has faces: its number, weight, and runs of faces.

    findings: in the order of their numbers, from 1.
    """
    packed = pack(part.vertices, part.faces)
    path.write_bytes(packed.data)
    patches = []
    for number, finding in enumerate(findings, start=1):
        faces = None if finding.place is None else finding.place.faces
        if faces is None or not len(faces):
            continue
        chosen = np.zeros(len(part.faces), dtype=bool)
        chosen[faces] = True
        patches.append({"number": number, "weight": int(finding.weight), "ranges": runs(chosen[packed.order])})
    return patches


def save_pair(part: Part, mended: Mended) -> list[dict[str, Any]]:
    """Write the part as it was, laid where the finished part lies, and the finished part with the patches of what is left."""
    from lint.page.tell import counted

    matrix = mended.part.placement @ np.linalg.inv(part.placement)
    vertices = part.vertices @ matrix[:3, :3].T + matrix[:3, 3]
    save(part.with_mesh(vertices, part.faces), Path("before.view"))
    return save(mended.part, Path("after.view"), counted(mended.after))
