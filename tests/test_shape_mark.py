"""The mark: read from below by rays that know nothing of its maker, cut only where there is material to spare, and nowhere else."""

from __future__ import annotations

import dataclasses
import json
from pathlib import Path

import numpy as np
import pytest
import trimesh
from numpy.typing import NDArray

from corpus import solids
from lint.cli import main
from lint.measure import Survey
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.save import write_part
from lint.settings import Settings
from lint.shape.lettering import ALPHABET, drawn, size, spelt
from lint.shape.mark import fix as mark
from lint.shape.mark import true_size, wordings
from lint.terms import Declined, Job, Part, Shaped, Source, Touch
from lint.ticket import PartTable, Ticket
from tests.judges import sound_solid

BLOCK = solids.box((60.0, 40.0, 30.0))
Grid = NDArray[np.float64]


def part_of(mesh: solids.Mesh, name: str = "troll-nose.stl", units: str | None = "mm", **said: object) -> Part:
    ticket = Ticket(part=PartTable(**said))  # type: ignore[arg-type]
    return Part(np.array(mesh[0]), np.array(mesh[1]), Source(Path(name), "stl", "", 0), units=units, ticket=ticket)


def marked(part: Part, **facts: object) -> Shaped:
    assert mark.function is not None
    settings = dataclasses.replace(Settings(), **facts)  # type: ignore[arg-type]
    return mark.function(Job(part, settings, (), (), Survey(part), asked=True))


def rise(part: Part, step: float = 0.2) -> tuple[Grid, Grid]:
    """Points (k, 2) all over the base and how high over it the first skin above each is, by trimesh's rays."""
    mesh = trimesh.Trimesh(part.vertices, part.faces, process=False)
    low, high = mesh.bounds
    x, y = np.meshgrid(np.arange(low[0] + step / 3, high[0], step), np.arange(low[1] + step / 3, high[1], step))
    at = np.stack((x.ravel(), y.ravel()), axis=1)
    start = np.column_stack((at, np.full(len(at), low[2] - 1.0)))
    met, ray, _ = mesh.ray.intersects_location(start, np.broadcast_to([0.0, 0.0, 1.0], start.shape), multiple_hits=False)
    height = np.full(len(at), np.inf)
    height[ray] = met[:, 2] - low[2]
    return at, height


def grooves(part: Part, depth: float = 0.6) -> Grid:
    """Points (k, 2) of the base that lie in a groove of that depth."""
    at, height = rise(part)
    return at[np.abs(height - depth) < 1e-4]


def test_it_reads_from_the_left_when_seen_from_below() -> None:
    """F and the size in one line: seen from below, the F is the first letter, its post on the left and nothing at the bottom right."""
    shaped = marked(part_of(solids.box((80.0, 20.0, 30.0)), code="F"))
    assert "F 80.0 MM" in shaped.did
    cut = grooves(shaped.part)
    seen = np.column_stack((-cut[:, 0], cut[:, 1]))  # the eye below, the y axis up: x runs to the left
    across = np.sort(seen[:, 0])
    end = across[np.flatnonzero(np.diff(across) > 0.7)[0]]
    letter = seen[seen[:, 0] <= end]
    across, up = ((letter - letter.min(axis=0)) / np.ptp(letter, axis=0)).T
    assert (across < 0.25).sum() > 0.35 * len(letter)
    assert ((across > 0.75) & (up > 0.8)).sum() > 0
    assert ((across > 0.4) & (up < 0.35)).sum() == 0


def test_the_words_are_code_side_and_true_size() -> None:
    shaped = marked(part_of(BLOCK, code="Troll 7", side="left"))
    for word in ("TROLL 7", "LEFT", "60.0 MM"):
        assert word in shaped.did
    assert not shaped.cautions


def test_the_files_name_stands_in_for_a_code_with_a_word_about_people() -> None:
    shaped = marked(part_of(BLOCK, "heron_beak.second scan.stl"))
    assert "HERON-BEAK" in shaped.did
    assert "SECOND" not in shaped.did
    assert "name of the file" in shaped.cautions[0]


@pytest.mark.parametrize(
    ("said", "cut", "lost"),
    [("Æther über 3", "AETHER UBER 3", ""), ("straße", "STRASSE", ""), ("нос 4", "4", "НОС"), ("a_b/c,5", "A-B-C.5", ""), ("鼻", "", "鼻")],
)
def test_letters_there_are_none_of_are_left_out_and_named(said: str, cut: str, lost: str) -> None:
    assert spelt(said) == (cut, lost)


@pytest.mark.parametrize(
    ("name", "cut"),
    [("troll-ear-crop-open.stl", "TROLL-EAR-CROP"), ("theTinKingOfTheTravellers.stl", "THETINKINGOFTHET"), ("heron 12.stl", "HERON 12")],
)
def test_a_long_name_is_cut_between_words(name: str, cut: str) -> None:
    assert wordings(part_of(BLOCK, name), 60.0)[0].words[0] == cut


def test_a_code_without_any_letter_leaves_side_and_size() -> None:
    shaped = marked(part_of(BLOCK, code="鼻", side="right"))
    assert "RIGHT" in shaped.did
    assert any("鼻" in c for c in shaped.cautions)


@pytest.mark.parametrize("stroke", [0.6, 1.2])
def test_every_letter_is_one_groove_wide_and_keeps_its_land(stroke: float) -> None:
    """At the least height: a tool a hair narrower than the groove passes, one a fifth wider than it does not but at corners."""
    from manifold3d import JoinType

    height = 6 * stroke
    for sign, (_, strokes) in ALPHABET.items():
        if not strokes:
            continue
        flat = drawn([sign], height, stroke)
        assert flat.offset(-0.48 * stroke, JoinType.Round, 2.0, 32).area() > 0
        wide = flat.offset(-0.6 * stroke, JoinType.Round, 2.0, 32)
        assert wide.area() < 0.05 * flat.area(), sign
        low_x, low_y, high_x, high_y = flat.bounds()
        assert high_y - low_y <= height * 1.05 + 1e-9
    word = drawn(["HILL.MOO8"], height, stroke)
    apart = word.offset(0.45, JoinType.Round, 2.0, 32).decompose()
    assert len(apart) == 9, "two letters stand nearer than 0.9 mm"
    assert (high_x - low_x, high_y - low_y) != (0, 0)
    box = word.bounds()
    assert (box[2] - box[0], box[3] - box[1]) == pytest.approx(size(["HILL.MOO8"], height, stroke), abs=0.05)


def test_no_two_letters_look_alike() -> None:
    """Drawn over each other with their corners in one place, any two differ by a tenth of their skin at least."""
    flats = {}
    for sign, (_, strokes) in ALPHABET.items():
        if strokes:
            flat = drawn([sign], 6.0, 0.6)
            flats[sign] = flat.translate((-flat.bounds()[0], -flat.bounds()[1]))
    for one, a in flats.items():
        for two, b in flats.items():
            if one < two:
                differ = (a - b).area() + (b - a).area()
                assert differ > 0.1 * max(a.area(), b.area()), (one, two)


def test_the_old_skin_stays_and_only_the_grooves_are_taken() -> None:
    old = part_of(solids.box((60.0, 40.0, 30.0), step=5.0))
    shaped = marked(old)
    was = {tuple(p) for p in old.vertices.tolist()}
    new = shaped.part.vertices
    stayed = np.array([tuple(p) in was for p in new.tolist()])
    assert set(map(tuple, new[stayed].tolist())) == {p for p in was if p[2] > 0 or p in set(map(tuple, new.tolist()))}
    assert {p for p in was if p[2] > 0} <= set(map(tuple, new.tolist()))
    made = new[~stayed]
    zone = shaped.zones[0]
    assert (made >= np.array(zone.points[0]) - zone.size).all()
    assert (made <= np.array(zone.points[1]) + zone.size).all()
    mesh = trimesh.Trimesh(new, shaped.part.faces, process=False)
    assert mesh.is_watertight
    at, height = rise(shaped.part, 0.1)
    cut = (np.abs(height - 0.6) < 1e-4).mean() * 60 * 40 * 0.6
    assert 60 * 40 * 30 - mesh.volume == pytest.approx(cut, rel=0.03)
    assert ((height < 1e-4) | (np.abs(height - 0.6) < 1e-4)).all(), "one depth everywhere"
    assert len(at) == len(height)


def test_a_wide_nozzle_and_thick_layers_give_wide_and_deep_grooves() -> None:
    shaped = marked(part_of(solids.box((90.0, 60.0, 30.0)), code="T"), nozzle=0.8, layer=0.4)
    assert "grooves 1.2 mm wide and 1.2 mm deep" in shaped.did
    assert len(grooves(shaped.part, 1.2))


def test_sockets_and_holes_keep_their_distance() -> None:
    mesh = BLOCK
    centres = np.array([(30.0, 20.0), (12.0, 30.0)])
    for x, y in centres:
        rod, faces = solids.tube(4.0, 0.0, 10.0, sides=48)
        mesh = solids.cut(mesh, (rod + np.array([x, y, -4.0]), faces))
    shaped = marked(part_of(mesh, code="T1"))
    cut = grooves(shaped.part)
    assert len(cut) > 100
    away = np.linalg.norm(cut[:, None] - centres[None], axis=2).min(axis=1)
    assert away.min() > 4.0 + 0.8
    edge = np.minimum(cut, np.array([60.0, 40.0]) - cut).min()
    assert edge > 0.8


def hollow_block(floor: float) -> Part:
    inner = solids.flipped(solids.box((54.0, 34.0, 20.0), (3.0, 3.0, floor)))
    return part_of(solids.joined(BLOCK, inner), code="T1")


def test_a_floor_too_thin_for_a_groove_and_a_wall_is_left_alone() -> None:
    with pytest.raises(Declined, match=r"3\.6 mm of material"):
        marked(hollow_block(3.5))


def test_over_a_groove_the_wall_is_kept() -> None:
    shaped = marked(hollow_block(3.65))
    at = grooves(shaped.part)
    mesh = trimesh.Trimesh(shaped.part.vertices, shaped.part.faces, process=False)
    start = np.column_stack((at, np.full(len(at), 0.6 + 1e-4)))
    met, _, _ = mesh.ray.intersects_location(start, np.broadcast_to([0.0, 0.0, 1.0], start.shape), multiple_hits=False)
    assert met[:, 2].min() - 0.6 >= 3.0


def test_what_overhangs_is_not_cut_through_from_below() -> None:
    """A mushroom's foot: only the foot is base, and the letters stay on it."""
    foot = solids.box((30.0, 30.0, 20.0), (25.0, 25.0, 0.0))
    cap = solids.box((80.0, 80.0, 10.0), (0.0, 0.0, 15.0))
    cut = grooves(marked(part_of(solids.fused(foot, cap), code="T1")).part)
    assert len(cut) > 50
    assert cut.min() > 25.8
    assert cut.max() < 54.2


@pytest.mark.parametrize(
    ("part", "why"),
    [
        (part_of(BLOCK, units=None), "units"),
        (part_of(solids.ball(20.0)), "no flat base"),
        (part_of(solids.box((8.0, 8.0, 30.0))), "do not fit"),
        (part_of(solids.box((60.0, 40.0, 3.0))), "do not fit"),
    ],
)
def test_it_declines_with_the_reason(part: Part, why: str) -> None:
    with pytest.raises(Declined, match=why):
        marked(part)


def test_a_marked_part_is_not_marked_twice() -> None:
    with pytest.raises(Declined, match="marked already"):
        marked(marked(part_of(BLOCK)).part)


def test_two_feet_are_no_mark() -> None:
    """Two separate flats under one part once looked like an island in a letter."""
    legs = solids.fused(solids.box((20.0, 40.0, 30.0)), solids.box((20.0, 40.0, 30.0), (60.0, 0.0, 0.0)))
    part = part_of(solids.fused(legs, solids.box((80.0, 40.0, 10.0), (0.0, 0.0, 25.0))), code="T")
    assert Survey(part).get("base_loops").letters == 0
    assert Survey(marked(part).part).get("base_loops").letters > 0


@pytest.mark.parametrize("turn", [17.0, 45.0, 118.0])
def test_spun_about_the_upright_it_says_the_same(turn: float) -> None:
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    spun = BLOCK[0] @ np.array([[c, s, 0], [-s, c, 0], [0, 0, 1]]) + np.array([1000.0, -700.0, 0.0])
    part = part_of((spun, BLOCK[1]), code="T1")
    assert true_size(Survey(part))[0] == pytest.approx(60.0)
    assert "T1 / 60.0 MM" in marked(part_of(BLOCK, code="T1")).did
    assert "T1 / 60.0 MM" in marked(part).did


def test_the_same_part_gives_the_same_bytes() -> None:
    one, two = (marked(part_of(BLOCK)).part for _ in range(2))
    assert one.vertices.tobytes() == two.vertices.tobytes()
    assert one.faces.tobytes() == two.faces.tobytes()


def test_the_engine_takes_it_and_rule_55_is_content() -> None:
    part = part_of(solids.box((70.0, 60.0, 50.0)), code="T1")
    settings = dataclasses.replace(Settings(), steps=("hollow", "drain", "mark"), allow=Touch.SKIN)
    done = mend(part, all_rules(), all_fixes(), settings)
    outcomes = {s.name: s.outcome for s in done.steps}
    assert [outcomes[n] for n in ("hollow", "drain", "mark")] == ["done"] * 3, [(s.name, s.outcome, s.why) for s in done.steps]
    assert 55 in {f.rule for f in done.before.findings}
    assert 55 not in {f.rule for f in done.after.findings}
    assert not {f.rule for f in done.after.findings if f.weight > 1} - {f.rule for f in done.before.findings}
    at = grooves(done.part)
    mesh = trimesh.Trimesh(done.part.vertices, done.part.faces, process=False)
    start = np.column_stack((at, np.full(len(at), 0.6 + 1e-4)))
    met, _, _ = mesh.ray.intersects_location(start, np.broadcast_to([0.0, 0.0, 1.0], start.shape), multiple_hits=False)
    assert met[:, 2].min() - 0.6 >= 3.0 - 0.01, "hollow left room for the mark that was asked for"


def test_by_the_command_line_judged_by_other_libraries(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path, out = tmp_path / "tin-king.stl", tmp_path / "tin-king.3mf"
    write_part(part_of(solids.box((60.0, 40.0, 30.0), step=10.0)), path)
    assert main(["fix", str(path), "--units", "mm", "--step", "mark", "--to", str(out), "--as", "json"]) in (0, 1)
    steps = {s["name"]: s["outcome"] for s in json.loads(capsys.readouterr().out)["steps"]}
    assert steps["mark"] == "done"
    assert all(sound_solid(out).values())
