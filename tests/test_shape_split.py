"""The split, judged piece by piece: each moved back to where it was by its own old points, the cut, the sockets and the bosses measured by
libraries and formulas that have no part in making them."""

from __future__ import annotations

import dataclasses
import json
from functools import cache
from pathlib import Path
from typing import Any

import igl
import manifold3d
import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from corpus import solids, sound_bust
from lint.cli import main
from lint.measure import Survey
from lint.measure.bed import lies
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.save import write_part
from lint.settings import Settings
from lint.shape.cuts import counts, frame_of
from lint.shape.hollow import fix as hollow
from lint.shape.mark import fix as mark
from lint.shape.pegs import hanging
from lint.shape.split import fix as split
from lint.terms import Declined, Job, Part, Shaped, Source
from rules.rule_024_too_big_for_the_bed import rule
from tests.judges import sound_solid

BED = (220.0, 220.0, 250.0)
WALL = 3.0
Points = NDArray[np.float64]


def part_of(mesh: solids.Mesh, units: str | None = "mm") -> Part:
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path("tin-king.stl"), "stl", "", 0), units=units)


def job(part: Part, **facts: object) -> Job:
    settings = dataclasses.replace(Settings(), **({"bed": BED} | facts))  # type: ignore[arg-type]
    return Job(part, settings, (), (), Survey(part), asked=True)


def cut_up(part: Part, **facts: object) -> Shaped:
    assert split.function is not None
    return split.function(job(part, **facts))


def bodies(part: Part) -> list[trimesh.Trimesh]:
    """The separate bodies, pegs last."""
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=True)
    return sorted(mesh.split(only_watertight=False), key=lambda b: -float(np.prod(b.extents)))


def pieces_and_pegs(part: Part) -> tuple[list[trimesh.Trimesh], list[trimesh.Trimesh]]:
    every = bodies(part)
    pegs = [b for b in every if max(b.extents[:2]) < 10.5 and b.extents[2] < 30.5]
    return [b for b in every if not any(b is p for p in pegs)], pegs


def fits(body: trimesh.Trimesh, bed: tuple[float, float, float]) -> bool:
    """By turning it in steps of half a degree."""
    for angle in np.radians(np.arange(0, 90, 0.5)):
        c, s = np.cos(angle), np.sin(angle)
        flat = np.ptp(body.vertices[:, :2] @ np.array([[c, -s], [s, c]]), axis=0)
        if (flat <= np.array(bed[:2]) + 1e-6).all() and body.extents[2] <= bed[2] + 1e-6:
            return True
    return False


def put_back(body: trimesh.Trimesh, old: Points) -> Points:
    """The shift that takes a piece back to where it was cut from: the one most of its points agree on with points of the old part."""
    some = body.vertices[np.linspace(0, len(body.vertices) - 1, 60).astype(int)]
    steps = np.round((old[None] - some[:, None]).reshape(-1, 3), 4)
    distinct, count = np.unique(steps, axis=0, return_counts=True)
    assert count.max() >= 10, "the piece was turned, or no old point is left in it"
    return np.asarray(distinct[np.argmax(count)])


def distance(points: Points, mesh: tuple[Points, Any]) -> Points:
    squared, *_ = igl.point_mesh_squared_distance(points, np.ascontiguousarray(mesh[0]), np.ascontiguousarray(mesh[1]))
    return np.sqrt(np.maximum(squared, 0)).reshape(-1)


def how_deep(points: Points, outer: solids.Mesh) -> Points:
    """Distance under the outer skin of the old part, negative outside it."""
    inside = np.asarray(igl.fast_winding_number(outer[0], outer[1], points)) > 0.5
    away = distance(points, outer)
    return np.where(inside, away, -away)


def hollow_box(size: tuple[float, float, float] = (300.0, 100.0, 80.0)) -> tuple[solids.Mesh, solids.Mesh]:
    """A box with a box-shaped hollow 3 mm inside it and two drain holes through the base, and its outer skin alone."""
    outer = solids.box(size)
    mesh = solids.joined(outer, solids.flipped(solids.box(tuple(s - 2 * WALL for s in size), (WALL, WALL, WALL))))
    for x in (15.0, size[0] - 15.0):
        rod, faces = solids.tube(2.5, 0.0, 10.0, sides=24)
        mesh = solids.cut(mesh, (rod + np.array([x, 15.0, -4.0]), faces))
    return mesh, outer


@cache
def split_block() -> Part:
    return cut_up(part_of(solids.box((300.0, 80.0, 60.0), step=10.0))).part


@cache
def split_shell() -> Shaped:
    return cut_up(part_of(hollow_box()[0]))


@cache
def split_bust() -> Part:
    specimen = sound_bust.make()
    return cut_up(part_of((specimen.vertices * 2.5, specimen.faces)), bed=(220.0, 220.0, 220.0)).part


def test_a_block_becomes_two_pieces_that_fit_with_their_pegs_beside_them() -> None:
    pieces, pegs = pieces_and_pegs(split_block())
    assert len(pieces) == 2
    assert len(pegs) == 2
    for body in (*pieces, *pegs):
        assert body.is_watertight
        assert body.volume > 0
        assert body.bounds[0, 2] == pytest.approx(0.0, abs=1e-9)
        assert fits(body, BED)
    boxes = np.array([b.bounds for b in (*pieces, *pegs)])
    for i in range(len(boxes)):
        for k in range(i):
            gap = np.maximum(boxes[i, 0] - boxes[k, 1], boxes[k, 0] - boxes[i, 1])[:2].max()
            assert gap >= 10.0 - 1e-9, "side by side, with a gap"


@pytest.mark.parametrize("name", ["block", "bust"])
def test_put_back_together_the_old_skin_is_all_there(name: str) -> None:
    """Every piece was moved by one shift; the old skin is covered by the pieces' and nothing of a piece stands out of it."""
    specimen = sound_bust.make()
    old = solids.box((300.0, 80.0, 60.0), step=10.0) if name == "block" else (specimen.vertices * 2.5, specimen.faces)
    pieces, _ = pieces_and_pegs(split_block() if name == "block" else split_bust())
    back = [(b.vertices + put_back(b, old[0]), b.faces) for b in pieces]
    spread = trimesh.sample.sample_surface(trimesh.Trimesh(*old, process=False), 6000, seed=4)[0]
    covered = np.min([distance(spread, mesh) for mesh in back], axis=0)
    assert covered.max() < 1e-4, "a stretch of the old skin is missing, or moved"
    for vertices, _ in back:
        assert how_deep(vertices, old).min() > -1e-4
    volume = sum(b.volume for b in pieces)
    whole = float(trimesh.Trimesh(*old, process=False).volume)
    assert whole - 8 * 4000 < volume < whole


def test_the_sockets_of_both_faces_meet_and_are_half_a_millimetre_wider_than_the_pegs() -> None:
    old = solids.box((300.0, 80.0, 60.0), step=10.0)
    pieces, pegs = pieces_and_pegs(split_block())
    back = [trimesh.Trimesh(b.vertices + put_back(b, old[0]), b.faces, process=False) for b in pieces]
    cut = min(back, key=lambda m: m.bounds[1, 0]).bounds[1, 0]
    rings = []
    for mesh, off in zip(sorted(back, key=lambda m: m.bounds[0, 0]), (-2.0, 2.0), strict=True):
        flat = mesh.section([1, 0, 0], [cut + off, 0, 0])
        holes = [loop for loop in flat.discrete if np.ptp(loop[:, 1]) < 20]
        rings.append(sorted(((loop[:, 1].min() + loop[:, 1].max()) / 2, np.ptp(loop[:, 1]), loop[:, 2].min()) for loop in holes))
    assert np.allclose(rings[0], rings[1], atol=1e-6)
    assert len(rings[0]) == 2
    for peg, (_, wide, _) in zip(pegs, rings[0], strict=True):
        assert wide - max(peg.extents[:2]) == pytest.approx(0.5, abs=0.05)
    wide = pegs[0].extents[0]
    for y, across, low in rings[0]:
        axis = np.array([[cut, y, low + across / 2]])
        for mesh, way in zip(sorted(back, key=lambda m: m.bounds[0, 0]), (-1.0, 1.0), strict=True):
            met, _, _ = mesh.ray.intersects_location(axis, np.array([[way, 0.0, 0.0]]), multiple_hits=False)
            assert abs(met[0, 0] - cut) == pytest.approx(1.5 * wide, abs=1e-3)
    assert pegs[0].extents[2] < 3.0 * wide


def test_no_socket_comes_nearer_to_the_skin_than_the_wall() -> None:
    old = solids.box((300.0, 80.0, 60.0), step=10.0)
    pieces, _ = pieces_and_pegs(split_block())
    for body in pieces:
        vertices = body.vertices + put_back(body, old[0])
        cut = vertices[np.abs(vertices[:, 0] - 150.0).argmin(), 0]
        inner = vertices[(distance(vertices, old) > 0.01) & (np.abs(vertices[:, 0] - cut) > 1.0)]
        assert len(inner) > 40
        side = np.minimum(inner[:, 1:], np.array([80.0, 60.0]) - inner[:, 1:]).min()
        assert side >= WALL - 0.01


def test_in_a_hollow_bosses_are_built_that_stay_inside_and_stand_on_the_floor() -> None:
    shaped = split_shell()
    mesh, outer = hollow_box()
    assert "bosses" in shaped.did
    pieces, pegs = pieces_and_pegs(shaped.part)
    assert len(pieces) == 2
    assert len(pegs) >= 2
    hole = np.array([[15.0, 15.0], [285.0, 15.0]])
    for body in pieces:
        vertices = body.vertices + put_back(body, mesh[0])
        deep = how_deep(vertices, outer)
        assert deep.min() > -1e-4
        new = vertices[cKDTree(mesh[0]).query(vertices)[0] > 1e-3]
        cut = max(vertices[:, 0].max() if vertices[:, 0].min() < 1 else -1.0, -1.0)
        cut = cut if cut > 0 else float(vertices[:, 0].min())
        away = new[np.abs(new[:, 0] - cut) > 0.01]
        assert how_deep(away, outer).min() >= 0.4, "a boss or a socket shows on the skin"
        assert np.linalg.norm(away[:, None, :2] - hole[None], axis=2).min() > 2.5 + 1.0, "a drain hole is built over"
    was = {f.rule for f in examine(part_of(mesh), all_rules(), Settings()).findings if f.weight > 1}
    now = {f.rule for f in examine(shaped.part, all_rules(), dataclasses.replace(Settings(), bed=BED)).findings if f.weight > 1}
    assert now - was <= {33, 38}
    assert not any("support" in c for c in shaped.cautions)


def test_a_neck_is_where_a_bust_is_cut() -> None:
    specimen = sound_bust.make()
    old = specimen.vertices * 2.5
    pieces, _ = pieces_and_pegs(split_bust())
    tops = [float((b.vertices + put_back(b, old))[:, 2].max()) for b in pieces]
    cut = min(tops)
    solid = manifold3d.Manifold(manifold3d.Mesh64(old, specimen.faces.astype(np.uint64)))
    areas = [float(solid.slice(z).area()) for z in np.linspace(60, 215, 32)]
    assert solid.slice(cut - 1e-3).area() < min(areas) * 1.05


def test_it_does_not_cut_through_the_letters_of_a_mark() -> None:
    assert mark.function is not None
    block = part_of(solids.box((300.0, 80.0, 60.0)))
    marked = mark.function(job(block)).part
    letters = marked.vertices[(marked.vertices[:, 2] > 0.01) & (marked.vertices[:, 2] < 1.0)]
    pieces, _ = pieces_and_pegs(cut_up(marked).part)
    cuts = []
    for body in pieces:
        vertices = body.vertices + put_back(body, marked.vertices)
        cuts.append(vertices[:, 0].max() if vertices[:, 0].min() < 1 else vertices[:, 0].min())
    assert cuts[0] == pytest.approx(cuts[1])
    assert np.abs(letters[:, 0] - cuts[0]).min() >= 0.8


def test_both_faces_of_a_cut_bear_the_same_letter_each_the_right_way_round() -> None:
    old = solids.box((300.0, 80.0, 60.0), step=10.0)
    pieces, _ = pieces_and_pegs(split_block())
    back = sorted((trimesh.Trimesh(b.vertices + put_back(b, old[0]), b.faces, process=False) for b in pieces), key=lambda m: m.bounds[0, 0])
    cut = back[0].bounds[1, 0]
    seen = []
    for mesh, side in zip(back, (-1.0, 1.0), strict=True):
        at = np.stack(np.meshgrid(np.arange(0.1, 80, 0.2), np.arange(0.1, 60, 0.2)), axis=-1).reshape(-1, 2)
        start = np.column_stack((np.full(len(at), cut - 5 * side), at))
        met, ray, _ = mesh.ray.intersects_location(start, np.broadcast_to([side, 0.0, 0.0], start.shape), multiple_hits=False)
        groove = at[ray[np.abs(np.abs(met[:, 0] - cut) - 0.6) < 1e-3]]
        assert len(groove) > 100
        seen.append(groove)
    assert len(seen[0]) == pytest.approx(len(seen[1]), rel=0.1)
    assert np.allclose(seen[0].mean(axis=0), seen[1].mean(axis=0), atol=0.5)


@pytest.mark.parametrize(
    ("size", "bed", "pieces"),
    [
        ((300, 80, 60), BED, 2),
        ((500, 80, 60), BED, 3),
        ((60, 60, 400), BED, 2),
        ((300, 300, 40), BED, 4),
        ((300, 60, 400), BED, 4),
        ((230, 150, 40), (210.0, 210.0, 200.0), 2),
    ],
)
def test_as_few_pieces_as_the_bed_asks_for(size: tuple[float, float, float], bed: tuple[float, float, float], pieces: int) -> None:
    """By the formula of the box: along each side the next whole number, where the corner-wise turn does not help."""
    made, _ = pieces_and_pegs(cut_up(part_of(solids.box(size)), bed=bed).part)
    assert len(made) == pieces
    assert all(fits(b, bed) for b in made)


def test_numbers_of_pieces_come_fewest_first() -> None:
    mesh = solids.box((300.0, 80.0, 60.0))
    numbers = [int(np.prod(n)) for n in counts(frame_of(*mesh, 0.0), BED)]
    assert numbers == sorted(numbers)
    assert numbers[0] == 1


def test_the_hole_of_a_ring_is_air_and_stays_air() -> None:
    """Two outlines a cut, each with two pegs; half a ring has no base and is stood on its cut."""
    ring = solids.torus(115.0, 25.0)
    shaped = cut_up(part_of(ring), bed=(250.0, 250.0, 250.0))
    pieces, pegs = pieces_and_pegs(shaped.part)
    assert len(pieces) == 2
    assert len(pegs) == 4
    whole = trimesh.Trimesh(*ring, process=False).volume
    assert sum(p.volume for p in pieces) < whole
    for piece in pieces:
        assert Survey(part_of((np.array(piece.vertices), np.array(piece.faces)))).get("contact").area > 2 * 1500


@pytest.mark.parametrize(
    ("part", "facts", "why"),
    [
        (part_of(solids.box((300.0, 80.0, 60.0))), {"bed": None}, "how large the bed"),
        (part_of(solids.box((300.0, 80.0, 60.0)), units=None), {}, "units"),
        (part_of(solids.box((280.0, 20.0, 60.0))), {}, "fits the bed already"),
        (part_of((solids.box((300.0, 80.0, 60.0))[0], solids.box((300.0, 80.0, 60.0))[1][1:])), {}, "open"),
        (part_of(solids.box((400.0, 7.0, 7.0))), {}, "no room for two pegs"),
        (part_of(solids.joined(solids.box((400.0, 80.0, 60.0)), solids.box((30.0, 30.0, 30.0), (0.0, 200.0, 0.0)))), {}, "separate pieces"),
    ],
)
def test_it_declines_with_the_reason(part: Part, facts: dict[str, object], why: str) -> None:
    with pytest.raises(Declined, match=why):
        cut_up(part, **facts)


def test_what_was_split_is_not_split_again() -> None:
    with pytest.raises(Declined, match="fits the bed already"):
        cut_up(split_block())


def test_pieces_that_were_cut_apart_are_not_hollowed_any_more() -> None:
    assert hollow.function is not None
    with pytest.raises(Declined, match="several separate pieces"):
        hollow.function(job(split_block()))


def test_the_same_part_gives_the_same_bytes() -> None:
    one, two = (cut_up(part_of(solids.box((300.0, 80.0, 60.0)))).part for _ in range(2))
    assert one.vertices.tobytes() == two.vertices.tobytes()
    assert one.faces.tobytes() == two.faces.tobytes()


@pytest.mark.parametrize("turn", [30.0, 77.0])
def test_spun_about_the_upright_it_is_cut_into_the_same_pieces(turn: float) -> None:
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    vertices, faces = solids.box((300.0, 80.0, 60.0))
    spun = vertices @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) + np.array([1000.0, 500.0, 0.0])
    pieces, pegs = pieces_and_pegs(cut_up(part_of((spun, faces))).part)
    straight, _ = pieces_and_pegs(split_block())
    assert len(pegs) == 2
    assert [p.volume for p in pieces] == pytest.approx([p.volume for p in straight], rel=0.01)


def test_a_shape_knows_where_it_hangs() -> None:
    from manifold3d import CrossSection

    floor = CrossSection.square((100.0, 5.0)).translate((-50.0, -5.0))
    block = CrossSection.square((10.0, 10.0))
    assert hanging(block, floor) == pytest.approx(0.0)
    assert hanging(block.translate((0.0, 1.0)), floor) == pytest.approx(10.0)
    assert hanging(block.rotate(45.0).translate((0.0, 1.0)), floor) == pytest.approx(0.0)


def test_the_engine_takes_it_and_rule_24_is_content() -> None:
    settings = dataclasses.replace(Settings(), bed=BED, steps=("split",))
    done = mend(part_of(hollow_box()[0]), all_rules(), all_fixes(), settings)
    assert {s.name: s.outcome for s in done.steps}["split"] == "done", [(s.name, s.outcome, s.why) for s in done.steps]
    assert not done.broke
    assert 24 in {f.rule for f in done.before.findings}
    assert not {24, 11, 10} & {f.rule for f in done.after.findings}


def test_by_the_command_line_judged_by_other_libraries(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, out = tmp_path / "tin-king.stl", tmp_path / "tin-king.3mf"
    write_part(part_of(solids.box((300.0, 80.0, 60.0), step=20.0)), path)
    words = ["fix", str(path), "--units", "mm", "--bed", "220,220,250", "--step", "split", "--to", str(out), "--as", "json"]
    assert main(words) in (0, 1)
    steps = {s["name"]: s["outcome"] for s in json.loads(capsys.readouterr().out)["steps"]}
    assert steps["split"] == "done"
    assert sound_solid(out) == {"lib3mf": True, "manifold3d": True, "bodies": 4, "watertight": True, "winding": True, "volume": True}
    again = tmp_path / "again.3mf"
    main(["fix", str(out), "--bed", "220,220,250", "--step", "split", "--to", str(again), "--as", "json"])
    second = {s["name"]: s["outcome"] for s in json.loads(capsys.readouterr().out)["steps"]}
    assert second["split"] == "declined"
    assert again.read_bytes() == out.read_bytes()


def too_big(mesh: solids.Mesh) -> list[str]:
    report = examine(part_of(mesh), {24: rule}, dataclasses.replace(Settings(), bed=BED))
    assert report.rules[0].outcome.value in ("clean", "found"), report.rules[0].why
    return [f.message for f in report.findings]


def test_rule_24_judges_separate_solids_one_by_one() -> None:
    small = solids.box((150.0, 80.0, 60.0))
    moved = solids.box((150.0, 80.0, 60.0), (160.0, 0.0, 0.0))
    big = solids.box((400.0, 80.0, 60.0), (160.0, 0.0, 0.0))
    assert not too_big(solids.joined(small, moved))
    (one,) = too_big(solids.joined(small, big))
    assert "of 2 separate pieces, number 1 from the longest" in one
    assert len(too_big(solids.joined(big, solids.box((400.0, 80.0, 60.0), (0.0, 200.0, 0.0))))) == 2


def test_rule_24_takes_together_what_is_not_separate() -> None:
    inner = solids.flipped(solids.box((290.0, 70.0, 50.0), (5.0, 5.0, 5.0)))
    assert len(too_big(solids.joined(solids.box((300.0, 80.0, 60.0)), inner))) == 1
    touching = solids.joined(solids.box((150.0, 80.0, 60.0)), solids.box((150.0, 80.0, 60.0), (149.0, 0.0, 0.0)))
    assert len(too_big(touching)) == 1
    sheets = [(v, f[1:]) for v, f in (solids.box((150.0, 80.0, 60.0)), solids.box((150.0, 80.0, 60.0), (160.0, 0.0, 0.0)))]
    assert len(too_big(solids.joined(*sheets))) == 1, "open skin may yet be closed to one part"


def test_every_piece_fits_by_the_exact_calipers_too() -> None:
    for part in (split_block(), split_shell().part):
        for footprint in Survey(part).get("footprints"):
            assert lies(footprint.hull, BED[:2])[0].over <= 1e-3
