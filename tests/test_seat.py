"""Seat: open sheets of known shape become solids of known volume on a flat base; the skin keeps its very points."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.load import read
from lint.measure import Survey
from lint.measure.displacement import skin_moved
from lint.settings import Settings
from lint.shape import seat
from lint.shape.carry import Stand
from lint.shape.crossing import any_crosses, crossing_faces
from lint.shape.nibble import nibbled, open_loops
from lint.shape.outline import area, ring, tangled, widened
from lint.shape.sheet import EVEN, _Sheet, _ways
from lint.shape.shelf import rim_slopes, shelf, shelf_line
from lint.shape.triangles import filled, plumped
from lint.shape.unrolled import unrolled_wall
from lint.terms import Declined, FloatArray, IntArray, Job, Part, Shaped, Source
from lint.ticket import PartTable, Ticket
from tests.scans import needs_scans, scan


def part_of(vertices: FloatArray, faces: IntArray, **table: object) -> Part:
    ticket = Ticket(part=PartTable(units="mm", **table))  # type: ignore[arg-type]
    return Part(np.array(vertices), np.array(faces), Source(Path("trial.stl"), "stl", "0", 0), units="mm", ticket=ticket)


def seated(part: Part, settings: Settings | None = None) -> Shaped:
    return seat.make(Job(part, settings or Settings(), (), (), Survey(part), frozenset({"seat"}), True))


def dome(radius: float = 40.0, cap: float = 0.0, level: int = 4) -> solids.Mesh:
    """The skin of a ball above height `cap`, open below, as whole faces: a sheet with a stepped rim."""
    vertices, faces = solids.ball(radius, level=level)
    kept = faces[vertices[faces, 2].min(axis=1) >= cap]
    used = np.unique(kept)
    new = np.full(len(vertices), -1)
    new[used] = np.arange(len(used))
    return vertices[used], new[kept]


def check(part: Part, shaped: Shaped) -> Survey:
    """What must hold of everything that seat hands back."""
    survey = Survey(shaped.part)
    edges = survey.get("edges")
    assert edges.closed
    assert edges.agree.all()
    assert len(survey.get("pinched")) == 0
    assert survey.get("volume") > 0
    contact = survey.get("contact")
    assert contact.lowest == 0.0
    assert contact.unevenness <= 0.1 or contact.area >= contact.base_area / 2
    assert contact.share > 0.05
    assert survey.get("stance").angle >= 15
    moved = skin_moved(part, shaped.part, shaped.moved, shaped.zones)
    assert shaped.promise.skin_max is not None
    assert moved.max <= shaped.promise.skin_max + 1e-9
    assert moved.samples > 1000, "the zones must leave the skin to be measured"
    single = Survey(replace(shaped.part, vertices=shaped.part.vertices.astype(np.float32).astype(np.float64)))
    assert single.get("edges").closed
    import manifold3d as m3
    import trimesh

    skin = survey.get("skin")
    solid = m3.Manifold(m3.Mesh64(skin.vertices.copy(), skin.faces.astype(np.uint64)))
    assert solid.status() == m3.Error.NoError
    other = trimesh.Trimesh(skin.vertices, skin.faces, process=False)
    assert other.is_watertight
    assert other.is_winding_consistent
    assert other.volume == pytest.approx(survey.get("volume"), rel=1e-9)
    return survey


def test_a_flat_sheet_becomes_a_block_of_exact_volume() -> None:
    vertices, faces = solids.box((40, 30, 5), step=5)
    top = faces[(vertices[faces, 2] == 5).all(axis=1)]
    part = part_of(vertices, top)
    shaped = seated(part, Settings(base=12.0))
    survey = check(part, shaped)
    assert survey.get("volume") == pytest.approx(40 * 30 * 12, rel=1e-12)
    assert shaped.part.vertices[:, 2].max() == pytest.approx(12)


def test_every_point_of_the_skin_stays() -> None:
    part = part_of(*dome())
    shaped = seated(part)
    check(part, shaped)
    assert shaped.moved is not None
    carried = part.vertices @ shaped.moved[:3, :3].T + shaped.moved[:3, 3]
    kept = {tuple(p) for p in np.round(shaped.part.vertices, 9)}
    assert all(tuple(p) in kept for p in np.round(carried, 9))


def test_a_land_is_as_wide_as_asked() -> None:
    part = part_of(*dome())
    shaped = seated(part, Settings(margin=20.0))
    survey = check(part, shaped)
    reach = np.linalg.norm(survey.get("contact").hull, axis=1)
    rim = np.linalg.norm(part.vertices[:, :2], axis=1).max()
    assert reach.min() >= rim + 19.0
    assert reach.max() <= rim + 22.5
    floor_of_land = shaped.part.vertices[np.linalg.norm(shaped.part.vertices[:, :2], axis=1) > rim + 5, 2]
    assert set(np.round(floor_of_land, 6)) == {0.0, 9.0}, "flat top and bottom, a millimetre under the lowest skin"


def test_a_tall_sheet_gets_a_foot_that_holds_it() -> None:
    vertices, faces = solids.tube(15, 0, 180, sides=64, rings=40)
    low = np.flatnonzero(vertices[:, 2] == 0)
    part = part_of(vertices, faces[~np.isin(faces, low).all(axis=1)])
    survey = check(part, seated(part))
    assert 15 <= survey.get("stance").angle < 22, "stands, with no more plate than that takes"


@pytest.mark.parametrize("seed", range(4))
def test_turned_any_way_it_is_set_upright(seed: int) -> None:
    rng = np.random.default_rng(seed)
    turn = np.linalg.qr(rng.normal(size=(3, 3)))[0]
    turn *= np.sign(np.linalg.det(turn))
    vertices, faces = dome(cap=5.0)
    part = part_of(vertices @ turn.T + rng.uniform(-900, 900, 3), faces)
    shaped = seated(part)
    survey = check(part, shaped)
    assert shaped.part.vertices[:, 2].max() == pytest.approx(10 + 40 - vertices[:, 2].min(), abs=0.2)
    assert survey.get("volume") == pytest.approx(check(part_of(vertices, faces), seated(part_of(vertices, faces))).get("volume"), rel=2e-3)


def test_a_sheet_wound_inside_out_is_turned_and_said_so() -> None:
    vertices, faces = dome()
    part = part_of(vertices, faces[:, ::-1])
    shaped = seated(part)
    check(part, shaped)
    assert "inside out" in shaped.cautions[0]
    right = seated(part_of(vertices, faces))
    assert Survey(shaped.part).get("volume") == pytest.approx(Survey(right.part).get("volume"))
    assert not right.cautions


def test_the_tickets_face_says_which_way_is_up() -> None:
    vertices, faces = dome(cap=5.0)
    bowl = part_of(vertices, faces[:, ::-1], face=(0.0, 0.0, -1.0))  # meant as a bowl: its hollow side is the feature
    shaped = seated(bowl)
    survey = check(bowl, shaped)
    assert not shaped.cautions
    assert survey.get("volume") > 2 * np.pi * 40**2 * 10 / 3
    assert "ticket" in shaped.did


def test_a_piece_that_reaches_below_the_base_is_cut_off_at_it() -> None:
    """A plate through the rim of a sheet must not hold the part up: the base is what it stands on, and the plate's end lies in it."""
    plate, faces = solids.box((12.0, 12.0, 60.0))
    part = part_of(*solids.joined(dome(), (plate + np.array([34.0, -6.0, -40.0]), faces)))
    shaped = seated(part)
    survey = Survey(shaped.part)
    assert survey.get("edges").closed
    assert survey.get("shells").count == 2
    assert survey.get("contact").lowest == 0.0
    assert survey.get("contact").share > 0.5
    own = survey.get("skin").vertices[survey.get("skin").faces[survey.get("shells").label == 1]]
    assert 0.0 < own[:, :, 2].min() < 10.0
    moved = skin_moved(part, shaped.part, shaped.moved, shaped.zones)
    assert moved.max <= 1e-9
    assert moved.samples > 1000


def test_a_rim_with_teeth_gets_no_fins() -> None:
    vertices, faces = dome(level=5)
    part = part_of(vertices, faces)
    rng = np.random.default_rng(5)
    for _ in range(2):
        edges = Survey(part).get("edges")
        half = np.flatnonzero(edges.half_edge >= 0)
        rim = np.unique(half[edges.count[edges.half_edge[half]] == 1] // 3)
        part = part_of(part.vertices, np.delete(part.faces, rng.choice(rim, len(rim) // 3, replace=False), axis=0))
    try:
        shaped = seated(part)
    except Declined as reason:  # what was torn off may leave further holes: then close must come first
        pytest.fail(str(reason))
    check(part, shaped)


def test_a_rim_that_hangs_over_itself_gets_a_wall_without_crossing() -> None:
    """A rim on a cylinder that runs back over itself as a cut ear lobe does: its unrolled wall is sound and covers what it should."""
    share = np.linspace(0, 1, 240, endpoint=False)
    back = np.clip((share - 0.45) / 0.1, 0, 1)
    along = share * 2 * np.pi - 0.5 * np.sin(2 * np.pi * back) * 0.9
    height = 10 + 8 * np.sin(np.pi * back) ** 2 + 6 * back * (back < 1) * (share < 0.55)
    rim = np.column_stack((40 * np.cos(along), 40 * np.sin(along), height))
    assert tangled(rim[:, :2], ring(len(rim))).any(), "straight down it would cross itself"
    turn = np.arange(120) * 2 * np.pi / 120
    line = np.column_stack((40 * np.cos(turn), 40 * np.sin(turn)))
    wall = unrolled_wall(rim, line, 0.0, 0.0)
    assert wall is not None
    points = np.vstack((rim, np.column_stack((line, np.zeros(120)))))
    survey = Survey(part_of(points, wall))
    assert len(survey.get("edges").open) == 240 + 120
    assert not len(survey.get("edges").crowded)
    assert survey.get("edges").agree.all()
    assert not crossing_faces(points, wall, np.ones(len(wall), dtype=bool)).any()
    normal = survey.get("facets").normal[survey.get("facets").area > 0.05]
    centre = survey.get("facets").centre[survey.get("facets").area > 0.05]
    assert ((normal * centre)[:, :2].sum(axis=1) > 0).all(), "it faces outward"


def test_seated_twice_is_declined() -> None:
    shaped = seated(part_of(*dome()))
    with pytest.raises(Declined, match="flat and firm"):
        seated(shaped.part)


def test_the_same_part_gives_the_same_bytes() -> None:
    one, two = seated(part_of(*dome())), seated(part_of(*dome()))
    assert one.part.vertices.tobytes() == two.part.vertices.tobytes()
    assert one.part.faces.tobytes() == two.part.faces.tobytes()


def test_without_units_there_is_no_base() -> None:
    part = replace(part_of(*dome()), units=None)
    with pytest.raises(Declined, match="units"):
        seated(part)


def test_a_ball_is_cut_as_little_as_it_takes_to_stand() -> None:
    part = part_of(*solids.ball(50, level=5))
    shaped = seated(part)
    survey = check(part, shaped)
    height = shaped.part.vertices[:, 2].max()
    # Statics: a ball of radius r cut at depth h stands on a disc of radius sqrt(h (2r - h)); 15 degrees need h of about 1.7 mm.
    assert 95 < height < 98.3
    foot = np.sqrt((100 - height) * height)
    assert survey.get("stance").angle == pytest.approx(np.degrees(np.arctan2(foot, height - 50)), abs=1.0)


def test_a_leaning_block_is_turned_onto_its_face() -> None:
    tilt = np.radians(20)
    turn = np.array([[1, 0, 0], [0, np.cos(tilt), -np.sin(tilt)], [0, np.sin(tilt), np.cos(tilt)]])
    vertices, faces = solids.box((60, 50, 20), step=10)
    part = part_of(vertices @ turn.T, faces)
    shaped = seated(part)
    survey = check(part, shaped)
    assert survey.get("volume") == pytest.approx(60 * 50 * 20, rel=1e-3)


def test_a_hollow_that_opens_below_stays_open() -> None:
    vertices, faces = solids.tube(30, 20, 60, rings=6)
    vertices[:, 2] += 3
    vertices[:, 2] += np.where(vertices[:, 2] < 4, 0.4 * vertices[:, 0] / 30, 0)  # an uneven end, which seat must cut
    part = part_of(vertices, faces)
    shaped = seated(part)
    survey = check(part, shaped)
    height = shaped.part.vertices[:, 2].max()
    assert survey.get("volume") == pytest.approx(np.pi * (30**2 - 20**2) * height, rel=0.01)


@needs_scans
@pytest.mark.parametrize("name", ["ear_crop_open.ply", "nose_crop_open.ply", "face_mask_open.obj", "bust_demosthenes_lowres.obj"])
def test_real_sheets(name: str) -> None:
    units = {"ply": "mm", "obj": "cm"}[name[-3:]]
    part = read(scan(name), ticket=Ticket(part=PartTable(units=units)))  # type: ignore[arg-type]
    check(part, seated(part))
    check(part, seated(part, Settings(margin=15.0)))


@needs_scans
@pytest.mark.parametrize(("name", "units"), [("hand_rigged_left.glb", "m"), ("head_average_metres.ply", "m")])
def test_real_solids(name: str, units: str) -> None:
    part = read(scan(name), ticket=Ticket(part=PartTable(units=units)))  # type: ignore[arg-type]
    check(part, seated(part))


@pytest.mark.parametrize(("radius", "level", "cap"), [(40.0, 4, 0.9), (60.0, 4, 0.5), (40.0, 3, 0.7)])
def test_bays_of_a_torn_rim_are_filled_flush_with_the_skin(radius: float, level: int, cap: float) -> None:
    vertices, faces = solids.ball(radius, level=level)
    rng = np.random.default_rng(2)
    middle = vertices[faces].mean(axis=1)
    torn = faces[np.arccos(middle[:, 2] / np.linalg.norm(middle, axis=1)) < cap + rng.uniform(-0.01, 0.01, len(faces))]
    _, label = open_loops(torn, len(vertices))
    sheet = torn[label == np.bincount(label).argmax()]
    (loop,), _ = open_loops(sheet, len(vertices))
    rim = vertices[loop]
    size = float(np.sqrt(area(rim[:, :2])))
    line = shelf_line(rim[:, :2], EVEN * size, 0.8, size / 100)
    assert line is not None
    round_on = np.sqrt(radius**2 - (line**2).sum(axis=1))  # the ball goes on beyond the rim
    _, flush = shelf(rim, line, 0.8, -100.0, rim_slopes(vertices, sheet, loop))
    _, stepped = shelf(rim, line, 0.8, -100.0)
    assert np.abs(flush - round_on).max() < 0.45
    assert np.abs(stepped - round_on).max() > 0.8  # which leaves every tooth standing proud
    assert np.abs(flush - round_on).mean() < 0.6 * np.abs(stepped - round_on).mean()
    _, held = shelf(rim, line, 0.8, float(rim[:, 2].min()), rim_slopes(vertices, sheet, loop))
    assert held.min() >= rim[:, 2].min() + 0.2 - 1e-9


@pytest.mark.parametrize("seed", range(6))
def test_the_edge_of_a_land_keeps_its_margin_also_where_two_bays_meet(seed: int) -> None:
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 2 * np.pi, 230, endpoint=False)
    wobble = sum(rng.uniform(0, 6 / k) * np.cos(k * t + rng.uniform(0, 6)) for k in range(2, 9))
    loop = ((60 + wobble) * rng.uniform(0.9, 1.1, 230).clip(0.98, 1.02))[:, None] * np.column_stack((np.cos(t), np.sin(t)))
    outer = widened([loop], 15.0, 0.0)
    edge = np.roll(outer, -1, axis=0) - outer
    share = np.clip(((loop[:, None] - outer) * edge).sum(axis=2) / (edge**2).sum(axis=1), 0, 1)
    away = np.linalg.norm(loop[:, None] - outer - share[:, :, None] * edge, axis=2).min()
    assert 15.0 <= away < 15.25


def test_a_part_whose_flat_foot_has_knobs_on_it_is_stood_on_that_foot() -> None:
    """A tall block with a ball half sunk into its foot, lying on an edge of it in no particular way."""
    block, knob = solids.box((30.0, 30.0, 90.0), step=10.0), solids.ball(5.0, (12.0, 17.0, 1.0), level=2)
    bust = solids.fused(solids.fused(block, knob), solids.ball(28.0, (15.0, 15.0, 100.0), level=3))
    spin = np.linalg.qr(np.random.default_rng(4).normal(size=(3, 3)))[0]
    spin *= np.sign(np.linalg.det(spin))
    part = part_of(bust[0] @ spin.T, bust[1])
    shaped = seat._on_a_flat(Job(part, Settings(), (), (), Survey(part), frozenset({"seat"}), True))
    assert shaped is not None
    survey = check(part, shaped)
    assert "largest flat" in shaped.did
    assert np.ptp(shaped.part.vertices[:, 2]) == pytest.approx(138.0, abs=1.0), "it is top-heavy, so a plate of 10 mm goes under it"
    assert survey.get("contact").area > 900.0


def test_a_part_that_stands_is_not_turned_onto_a_larger_flat() -> None:
    part = part_of(*solids.box((20.0, 50.0, 20.0)))
    with pytest.raises(Declined, match="flat and firm"):
        seated(part)


def test_a_tooth_that_is_in_the_way_goes_and_the_rest_of_the_rim_stays() -> None:
    vertices, faces = dome(cap=0.0, level=5)
    (rim,), _ = open_loops(faces, len(vertices))
    spot = vertices[rim[:1]]
    left = nibbled(vertices, faces, rim, spot, 2.0, 5.0)
    assert left is not None
    kept, loop, gone = left
    assert len(kept) + len(gone) == len(faces)
    assert 0 < len(gone) < 0.02 * len(faces)
    assert np.linalg.norm(vertices[gone].mean(axis=1) - spot, axis=1).max() < 6.0
    assert len(np.unique(loop)) == len(loop)
    assert nibbled(vertices, faces, rim, np.array([[0.0, 0.0, 40.0]]), 2.0, 5.0) is None, "what lies far from the rim is no tooth"


@pytest.mark.parametrize(("height", "told"), [(15.0, True), (42.0, True), (60.0, False)])
def test_what_lies_behind_a_sheet_is_told_to_be_inside_now(height: float, told: bool) -> None:
    """A small ball wholly behind a dome, half through it, or well in front of it."""
    sheet = dome()
    ball = solids.ball(4.0, (0, 0, height), level=2)
    whole = part_of(np.vstack((sheet[0], ball[0])), np.vstack((sheet[1], ball[1] + len(sheet[0]))))
    shaped = seated(whole)
    assert ("behind the sheet lie inside the solid now" in shaped.did) == told
    zones = [z for z in shaped.zones if z.why == "pieces behind the sheet, inside the solid now"]
    assert len(zones) == told
    if told:
        from lint.measure.displacement import in_zones

        move = shaped.moved if shaped.moved is not None else np.eye(4)
        at = ball[0] @ move[:3, :3].T + move[:3, 3]
        hidden = in_zones(at, tuple(zones))
        deep = np.linalg.norm(ball[0], axis=1) < 39.0
        assert hidden[deep].all()
        assert not hidden[np.linalg.norm(ball[0], axis=1) > 44.0].any()


@pytest.mark.parametrize("lean", [70, 80])
def test_a_way_is_given_up_by_its_wall_alone_only_where_the_whole_is_cut(lean: float) -> None:
    """A bowl so askew that its skin hangs over its rim, which most walls down from it cut: what is told early is so of the whole solid."""
    vertices, faces = dome(level=3, cap=-20.0)
    turn = np.radians(lean)
    vertices = vertices @ np.array([[1, 0, 0], [0, np.cos(turn), np.sin(turn)], [0, -np.sin(turn), np.cos(turn)]])
    loops, _ = open_loops(faces, len(vertices))
    low = float(vertices[:, 2].min()) - 1.0
    early = 0
    for way, foot in _ways(_Sheet(vertices, faces, max(loops, key=len)), 4.0, 70.0, low, 0.8):
        built = way.carried(Stand([foot], low - 6.0, low))
        cut = any_crosses(built.vertices, built.faces, np.arange(len(built.faces)) >= built.first_new)
        assert cut or not way.cut_by_wall(foot)
        early += way.cut_by_wall(foot)
    assert early > 3


@pytest.mark.parametrize("seed", range(6))
def test_plump_triangles_wish_for_no_more_turns(seed: int) -> None:
    """Only triangles near what was turned are looked at again: looked at all over again, none may still want turning."""
    rng = np.random.default_rng(seed)
    turn = np.arange(300) * 2 * np.pi / 300
    outline = (20 + rng.normal(0, (0.1, 0.3, 2.0)[seed % 3], 300))[:, None] * np.column_stack((np.cos(turn), np.sin(turn)))
    outlines = [outline, 0.4 * outline[::-1]] if seed % 2 else [outline]
    points = np.vstack(outlines)
    faces = filled(outlines)
    plump = plumped(points, faces, rounds=400)
    assert not np.array_equal(plump, faces)
    np.testing.assert_array_equal(plumped(points, plump), plump)


@pytest.mark.parametrize("cap", [-30.0, 0.0])
@pytest.mark.parametrize("face", [(1.0, 0.0, 0.0), (0.3, 0.0, -1.0)])
def test_a_bowl_that_is_to_lie_the_other_way_is_closed_and_cut_level(cap: float, face: tuple[float, float, float]) -> None:
    """A wall down from its rim would run through its own skin, and its skin is not to be bitten away for that."""
    part = part_of(*dome(40.0, cap), face=face)
    shaped = seated(part)
    assert "so it was closed first: filled 1 hole" in shaped.did
    check(part, shaped)
    below = np.pi * (40 + cap) ** 2 * (3 * 40 - (40 + cap)) / 3  # of the ball, what the sheet lacks (spherical segment)
    whole = 4 / 3 * np.pi * 40**3
    assert 0.95 * (whole - below) < Survey(shaped.part).get("volume") < whole  # the patch follows the skin, so it bulges


def test_a_bowl_with_a_stick_through_its_mouth_is_closed_and_the_stick_cut_clean() -> None:
    """No patch closes the mouth without cutting the stick: the two are made one skin before the part is cut level."""
    bowl = dome(40.0, -20.0, level=3)
    stick = solids.ball(6.0, level=2)
    stick = (stick[0] * [1, 1, 2.5] + [3.0, 2.0, -24.0], stick[1])
    part = part_of(np.vstack((bowl[0], stick[0])), np.vstack((bowl[1], stick[1] + len(bowl[0]))), face=(1.0, 0.0, 0.0))
    job = Job(part, Settings(), (), (), Survey(part), frozenset({"seat", "rewrap"}), True)
    shaped = seat.make(job)
    assert "so it was closed first" in shaped.did
    assert "which rewrap is to cut out" in shaped.did
    survey = check(part, shaped)
    assert survey.get("shells").count == 1
    assert not len(survey.get("crossings").pairs)
