"""Sound things, and what may be said of them: plain solids, six body parts cut flat by another library, a shape at three densities."""

from __future__ import annotations

from typing import Any

import manifold3d
import numpy as np
import pytest
import trimesh

import corpus
from corpus import solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import Finding, Outcome, Weight
from tests.meshes import part
from tests.scans import needs_scans, scan

RULES = all_rules()
# With no ticket beside it and nothing cut into its base, any part is told so: no true length, no keys, no mark, no ticket.
BARE = {20, 54, 55, 70}


def findings(mesh: solids.Mesh) -> list[Finding]:
    made = part(mesh)
    report = examine(made, RULES, gather(made.ticket, rules=RULES))
    assert not [r for r in report.rules if r.outcome is Outcome.BROKE]
    return list(report.findings)


def spoke(mesh: solids.Mesh) -> set[int]:
    return {f.rule for f in findings(mesh)}


def on_the_bed(mesh: solids.Mesh) -> solids.Mesh:
    return mesh[0] - (0, 0, mesh[0][:, 2].min()), mesh[1]


@pytest.mark.parametrize(
    ("mesh", "more"),
    [
        (solids.box((30, 30, 30), step=5), set()),
        # A ball touches the bed in a point (34) and hangs over it all round (32); a ring lies on a round of facets, and hangs over too.
        (on_the_bed(solids.ball(15, level=4)), {32, 34}),
        (on_the_bed(solids.torus(20, 7)), {32}),
    ],
    ids=["cube", "ball", "torus"],
)
def test_plain_solids(mesh: solids.Mesh, more: set[int]) -> None:
    """A cube of 30 mm is too small to be worth a hollow; nothing lies on a ball's or a ring's base, because there is none to judge."""
    heard = spoke(mesh)
    assert more <= heard
    assert heard <= more | BARE


def test_a_hollow_ball_with_two_drain_holes_on_a_base() -> None:
    """A ball of 30 mm radius sunk into a plate of 12 mm, with a round hollow of 19 mm radius and two holes of 6 mm down to the bed.

    Its belly overhangs and so does the roof of its round hollow: rule 32 is right to say so, and nothing else is wrong.
    """
    upper = solids.cut(solids.ball(30, (0, 0, 24), level=4), solids.box((80, 80, 40), (-40, -40, -37)))
    body = solids.cut(solids.fused(solids.tube(40, 0, 12), upper), solids.ball(19, (0, 0, 26), level=4))
    for x in (-6.0, 6.0):
        hole = solids.tube(3, 0, 30, sides=48)
        body = solids.cut(body, (hole[0] + (x, 0, -5), hole[1]))
    assert spoke(body) - BARE == {32}


# name, longest side in mm, which axis of the file is up, share of the height cut off below, what else may rightly be said
BODIES: list[tuple[str, float, int, float, set[int]]] = [
    ("ear_left.stl", 66.0, 2, 0.08, {13, 32, 52}),  # the ear canal is a deep recess, the helix hangs over
    ("hand_closed.obj", 190.0, 1, 0.1, {13, 36, 39}),  # stands on a cut wrist narrower than the fist
    ("head_average_metres.ply", 230.0, 2, 0.08, {12, 13, 32, 39}),  # steps of the volume it was traced from
    ("headform_medium.stl", 230.0, 1, 0.1, {13, 32, 36, 39}),  # a head on a cut neck tips over
    ("goat_head.obj", 220.0, 1, 0.1, {12, 13, 32, 33, 39}),  # horns and a beard that begin in mid-air
    ("bust_nefertiti_lowres.obj", 250.0, 1, 0.1, {13, 32, 33, 36, 39}),  # chin and crown hang over
]


@needs_scans
@pytest.mark.parametrize(("name", "longest", "up", "share", "more"), BODIES, ids=[b[0] for b in BODIES])
def test_six_body_parts_cut_flat_by_another_library(name: str, longest: float, up: int, share: float, more: set[int]) -> None:
    """Sound by manifold3d's own word: no rule of the skin and no rule of walls may speak; what overhangs or tips is said."""
    loaded: Any = trimesh.load(scan(name), force="mesh", process=True)
    points = np.roll(np.array(loaded.vertices, dtype=float), 2 - up, axis=1)
    points *= longest / np.ptp(points, axis=0).max()
    solid = manifold3d.Manifold(manifold3d.Mesh64(vert_properties=points, tri_verts=np.array(loaded.faces, dtype=np.uint64)))
    low, high = points[:, 2].min(), points[:, 2].max()
    cut = solid.trim_by_plane((0, 0, 1), low + share * (high - low))
    assert cut.status() == manifold3d.Error.NoError
    assert len(cut.decompose()) == 1
    out = cut.to_mesh64()
    mesh = on_the_bed((np.array(out.vert_properties)[:, :3], np.array(out.tri_verts, dtype=np.int64)))
    assert spoke(mesh) - BARE == more


# Left out are rules that speak of the facets themselves, which a finer cut changes (2, 3, 12 to 14), and of the ticket.
OF_THE_SHAPE = {4, 5, 6, 7, 8, 9, 10, 11, 30, 31, 32, 33, 34, 36, 37, 50, 52}
DENSE = [n for n in sorted(corpus.specimens()) if n.startswith("fault_") and int(n[6:9]) in OF_THE_SHAPE]


@pytest.mark.parametrize("name", DENSE)
def test_three_densities_say_the_same(name: str) -> None:
    """Each face cut into four, once and twice: the shape is the same, so the same is found, as often and as large."""
    number = int(name[6:9])
    specimen = corpus.specimens()[name]
    mesh = (np.array(specimen.vertices, dtype=float), np.array(specimen.faces, dtype=np.int64))
    heard = []
    for _ in range(3):
        heard.append(sorted((f.case, f.weight, f.measured) for f in _with_ticket(mesh, specimen.ticket, number)))
        mesh = solids.halve(*mesh)
        if len(mesh[1]) > 400_000:
            break
    assert len(heard) >= 2
    assert heard[0]
    for finer in heard[1:]:
        assert [(c, w) for c, w, _ in finer] == [(c, w) for c, w, _ in heard[0]]
        for (_, _, was), (_, _, now) in zip(heard[0], finer, strict=True):
            assert now == pytest.approx(was, rel=0.02, abs=0.02)


def _with_ticket(mesh: solids.Mesh, ticket: str, number: int) -> list[Finding]:
    from corpus import Specimen
    from tests.test_every_rule import report_of

    report = report_of(Specimen("denser", *mesh, ticket=ticket), number)
    assert not [r for r in report.rules if r.outcome is Outcome.BROKE]
    return [f for f in report.findings if f.rule == number]


@pytest.mark.parametrize("sides", [48, 96, 192])
def test_a_round_thing_at_three_densities(sides: int) -> None:
    """A mushroom of truly round cut: the same overhang, within what 48 sides lose of a circle's area (0.29 %)."""
    mesh = solids.turned([(0.0, 0.0), (10.0, 0.0), (10.0, 20.0), (25.0, 20.0), (25.0, 30.0), (0.0, 30.0)], sides)
    found = [f for f in findings(mesh) if f.weight is not Weight.NOTE and f.rule not in BARE]
    assert [(f.rule, f.case) for f in found] == [(32, "steep")]
    assert found[0].measured == pytest.approx(np.pi * (25**2 - 10**2), rel=0.006)
