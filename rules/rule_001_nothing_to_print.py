"""Nothing to print: the file holds no faces, or its numbers cannot be a shape.

At the bench: there is nothing to send to the printer. An export that was cut short, a camera or point cloud saved in
    place of the skin, or a broken number from the scan leaves a file that opens but holds no usable skin. No other
    rule is tried on such a part.
How it is measured: faces are counted; every coordinate must be a finite number below a million million; every face
    must name points that the file holds; and at least one face must have three different corners. Points and faces
    are counted from 1, as in the file.
Limit: none of these is allowed, not one.
What mends it: nothing here. Export the part again from where it was made, as faces (not as points), and look at the
    file's size.
When it is wrong: never known to be. A file of pure points is a real scan, but there is no skin in it to print.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from lint.terms import Finding, Part, Rule, Weight

# No length on any machine comes near this, in any unit; beyond it, areas and volumes lose all their digits.
HUGE = 1e12

rule = Rule(
    number=1,
    name="nothing to print",
    weight=Weight.STOP,
    unit="faces",
    cases={
        "empty": "the file holds {measured:.0f} faces and {points} points, so there is no skin to print; export it again as faces",
        "number": "points with a coordinate that is no length: {measured:.0f}; the first is point {point}{used}; export the part again",
        "index": "faces that name a point which the file does not hold: {measured:.0f}; the first is face {face}, which asks for "
        "point {point} of {points}; the file was probably cut short, so copy or export it again",
        "flat": "all faces ({measured:.0f}) have two corners in one place, so they enclose and cover nothing; export the part again",
    },
)


@rule.find
def find(part: Part) -> Iterator[Finding]:
    """Every way in which the file holds no mesh."""
    faces, vertices = part.faces, part.vertices
    if not len(faces):
        yield rule.finding("empty", 0, place=None, points=len(vertices))
        return
    named = bool(faces.min() >= 0) and bool(faces.max() < len(vertices))
    outside = np.flatnonzero(((faces < 0) | (faces >= len(vertices))).any(axis=1)) if not named else np.zeros(0, dtype=np.int64)
    if len(outside):
        first = faces[outside[0]]
        wrong = int(first[(first < 0) | (first >= len(vertices))][0])
        yield rule.finding("index", len(outside), place=None, face=outside[0] + 1, point=wrong + 1, points=len(vertices))
    with np.errstate(invalid="ignore"):
        sound = bool(len(vertices)) and bool(vertices.min() > -HUGE) and bool(vertices.max() < HUGE)  # what is no number is neither
        bad = np.zeros(0, dtype=np.int64) if sound else np.flatnonzero(~(np.abs(vertices) < HUGE).all(axis=1))
    if len(bad):
        users = np.flatnonzero((faces == bad[0]).any(axis=1))
        used = f" of face {users[0] + 1}" if len(users) else ", which no face uses"
        yield rule.finding("number", len(bad), place=None, unit="points", point=bad[0] + 1, used=used)
    if len(outside) or len(bad):
        return
    for some in (faces[:1000], faces):  # nearly always the first face already has three corners
        a, b, c = (vertices[some[:, i]] for i in range(3))
        if ((a != b).any(axis=1) & (b != c).any(axis=1) & (c != a).any(axis=1)).any():
            return
    yield rule.finding("flat", len(faces), place=None)
