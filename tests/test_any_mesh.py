"""Any mesh at all, sound or not: examining it ends in an answer, and no rule breaks.

Meshes are drawn by hypothesis: loose faces on a coarse grid (so that points coincide, faces fold flat and skins cross), solids that
were then injured, and the same scaled and carried far off. `BUCKWRIGHT_EXAMPLES=5000` before pytest looks longer.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from corpus import solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import MM_PER_UNIT, Outcome, Part, Source
from lint.ticket import Caliper, FixTable, Length, PartTable, PrintTable, Ticket, UseTable

EXAMPLES = int(os.environ.get("BUCKWRIGHT_EXAMPLES", "60"))
patiently = settings(
    max_examples=EXAMPLES, deadline=None, database=None, derandomize="BUCKWRIGHT_EXAMPLES" not in os.environ,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large, HealthCheck.large_base_example],
)  # fmt: skip

# Numbers that a file can hold and a shape cannot, and some at the ends of what numbers can say.
ODD = (np.nan, np.inf, -np.inf, 1e308, -1e308, 5e-324, 3.4e38, -0.0, 1e15)
BLOCKS = (
    solids.box((20, 20, 20)),
    solids.box((30, 20, 2), step=10),
    solids.ball(12, level=1),
    solids.tube(10, 8, 20, sides=9),
    solids.torus(12, 4, sides=8, rings=5),
    solids.joined(solids.box((20, 20, 20)), solids.flipped(solids.box((10, 10, 10), (5, 5, 5)))),
)
BODIES = ("nose", "ear", "face", "head", "hand", "foot", "limb", "other", None)


@st.composite
def loose(draw: st.DrawFn) -> solids.Mesh:
    """Up to 24 faces over up to 12 points of a coarse grid."""
    count = draw(st.integers(1, 12))
    step = draw(st.sampled_from((1.0, 7.0, 0.3)))
    points = draw(st.lists(st.tuples(*[st.integers(-3, 3)] * 3), min_size=count, max_size=count))
    faces = draw(st.lists(st.tuples(*[st.integers(0, count - 1)] * 3), max_size=24))
    return np.array(points, dtype=np.float64).reshape(-1, 3) * step, np.array(faces, dtype=np.int64).reshape(-1, 3)


@st.composite
def injured(draw: st.DrawFn) -> solids.Mesh:
    """One or two solids, then a few injuries."""
    mesh = draw(st.sampled_from(BLOCKS))
    if draw(st.booleans()):
        other, by = draw(st.sampled_from(BLOCKS)), draw(st.tuples(*[st.integers(-30, 30)] * 3))
        mesh = solids.joined(mesh, (other[0] + np.array(by, dtype=np.float64), other[1]))
    vertices, faces = mesh[0].copy(), mesh[1].copy()
    face, point = st.integers(0, len(faces) - 1), st.integers(0, len(vertices) - 1)
    for kind in draw(st.lists(st.sampled_from(("lose", "turn", "twice", "pull", "pin", "slit", "flatten")), max_size=5)):
        k, p = draw(face) % max(len(faces), 1), draw(point)
        if not len(faces):
            break
        if kind == "lose":
            faces = np.delete(faces, slice(k, k + draw(st.integers(1, 6))), axis=0)
        elif kind == "turn":
            faces[k] = faces[k][::-1]
        elif kind == "twice":
            faces = np.vstack((faces, faces[k]))
        elif kind == "pull":
            vertices[p] += draw(st.tuples(*[st.integers(-40, 40)] * 3))
        elif kind == "pin":
            faces[k, draw(st.integers(0, 2))] = p
        elif kind == "slit":
            vertices = np.vstack((vertices, vertices[faces[k, 0]] + draw(st.sampled_from((0.0, 1e-9, 1e-4, 0.01)))))
            faces[k, 0] = len(vertices) - 1
        else:
            vertices[:, draw(st.integers(0, 2))] = 0.0
    return vertices, faces


@st.composite
def meshes(draw: st.DrawFn) -> solids.Mesh:
    """Any of them, of any size and anywhere; now and then with a number or a corner that cannot be."""
    vertices, faces = draw(st.one_of(loose(), injured()))
    vertices = vertices * draw(st.sampled_from((1.0, 1.0, 1.0, 1e-3, 1e-9, 25.4, 1e4, 1e9)))
    vertices = vertices + np.array(draw(st.sampled_from(((0, 0, 0), (0, 0, 0), (1e3, -1e3, 7), (1e7, 1e7, 1e7)))))
    if draw(st.integers(0, 9)) == 0:
        vertices[draw(st.integers(0, len(vertices) - 1)), draw(st.integers(0, 2))] = draw(st.sampled_from(ODD))
    if len(faces) and draw(st.integers(0, 19)) == 0:
        faces[draw(st.integers(0, len(faces) - 1)), 0] = draw(st.sampled_from((-1, len(vertices), 2**40)))
    return vertices, faces


spots = st.tuples(*[st.sampled_from((0.0, 1.0, -20.0, 1e5, 0.1))] * 3)


@st.composite
def tickets(draw: st.DrawFn) -> Ticket:
    """Facts of every kind, sensible or not, as far as the reader lets them through."""
    lengths = st.builds(lambda a, b, true: Length(a, b, true), spots, spots, st.sampled_from((0.001, 1.0, 40.0, 1e6)))
    calipers = st.builds(lambda a, b, read: Caliper(a, b, read), spots, spots, st.sampled_from((0.001, 38.2, 1e6)))
    maybe = st.sampled_from
    return Ticket(
        part=PartTable(body=draw(maybe(BODIES)), units=draw(maybe(("mm", "mm", "m", "in", None))), code=draw(maybe((None, "T1"))),
                       face=draw(maybe((None, (0.0, 0.0, 1.0), (0.0, 0.0, 0.0))))),
        length=draw(st.lists(lengths, max_size=2)),
        caliper=draw(st.lists(calipers, max_size=2)),
        print=PrintTable(draw(maybe((None, "resin"))), draw(maybe((None, 0.1, 1.2))), draw(maybe((None, 0.05))),
                         draw(maybe((None, (220.0, 220.0, 250.0), (0.1, 0.1, 0.1))))),
        use=UseTable(draw(maybe((None, "rigid", "flexible"))), draw(maybe((None, (0.0, 0.0, 1.0), (1.0, 1.0, 0.0), (0.0, 0.0, 0.0)))),
                     draw(maybe((None, 0.5, 500.0))), draw(maybe((None, 0.0, 25.0))), None, None, draw(maybe((None, 8.0)))),
        fix=FixTable(),
    )  # fmt: skip


def part_of(mesh: solids.Mesh, ticket: Ticket) -> Part:
    units = ticket.part.units
    scale = MM_PER_UNIT[units] if units else 1.0
    with np.errstate(over="ignore"):
        vertices = mesh[0] * scale
    return Part(vertices, mesh[1].copy(), Source(Path("heron.stl"), "stl", "0" * 64, 0), units, "the ticket" if units else "",
                np.diag([scale, scale, scale, 1.0]), ticket)  # fmt: skip


def check(mesh: solids.Mesh, ticket: Ticket) -> Any:
    part = part_of(mesh, ticket)
    report = examine(part, all_rules(), gather(ticket, rules=all_rules()))
    broke = [f"rule {r.number}: {r.why}" for r in report.rules if r.outcome is Outcome.BROKE]
    assert not broke, f"{broke}\nvertices = {mesh[0].tolist()!r}\nfaces = {mesh[1].tolist()!r}\n{ticket!r}"
    for finding in report.findings:
        assert "\n" not in finding.message
        assert "nan" not in finding.message.split()
        if finding.place is not None:
            assert np.isfinite(finding.place.centre).all(), finding.message
            assert np.isfinite(finding.place.reach), finding.message
            assert finding.place.reach >= 0
    return report


@patiently
@given(meshes(), tickets())
@example(solids.box((20, 20, 20)), Ticket())
def test_any_mesh_gets_an_answer(mesh: solids.Mesh, ticket: Ticket) -> None:
    check(mesh, ticket)
