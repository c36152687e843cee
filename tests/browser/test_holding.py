"""What a click takes hold of, on solids of known size, clean and noisy as a scan: flat faces and balls, and nothing where there is none."""

from __future__ import annotations

import base64

import numpy as np
import pytest

from corpus import demo, solids
from lint.load import read
from lint.load.ticket import read_ticket
from lint.view.frame import document, source
from lint.view.pack import pack

CALLS = """
globalThis.meshes = {};
globalThis.learn = async (name, data) => { meshes[name] = await decodeMesh(data); };
globalThis.hold = (name, from, way) => {
  const hit = struck(meshes[name], from, way);
  return hit && heldAt(meshes[name], hit.face, hit.point, true);
};
globalThis.span = (name, one, other) => {
  const [a, b] = [one, other].map(([from, way]) => hold(name, from, way));
  const { length, words, ends } = lengthBetween(a, b);
  return { length, words, ends, kinds: [a.kind, b.kind] };
};
"""


@pytest.fixture(scope="module")
def bench(chromium, tmp_path_factory):
    """A page with the viewer's parts laid open, and a way to give it meshes."""
    script = "\n".join(source(name) for name in ("space.js", "solid.js", "fit.js"))
    path = tmp_path_factory.mktemp("holding") / "bench.html"
    path.write_text(document("bench", "<p>bench</p>", scripts=(script + CALLS,), styles=()), encoding="utf-8")
    context = chromium.new_context()
    page = context.new_page()
    page.goto(path.as_uri())

    def learn(mesh: solids.Mesh) -> str:
        name = f"mesh {page.evaluate('Object.keys(meshes).length')}"
        page.evaluate("([name, data]) => learn(name, data)", [name, base64.b64encode(pack(*mesh).data).decode()])
        return name

    page.learn = learn
    yield page
    context.close()


def turned(seed):
    """A rotation, (3, 3), by chance."""
    q, r = np.linalg.qr(np.random.default_rng(seed).normal(size=(3, 3)))
    q *= np.sign(np.diag(r))
    return q if np.linalg.det(q) > 0 else -q


def noisy(mesh, sigma, seed=0):
    return mesh[0] + np.random.default_rng(seed).normal(0, sigma, mesh[0].shape), mesh[1]


def rounded(size, radius, step):
    """A block whose edges are rounded over, as a scan shows them."""
    vertices, faces = solids.box(size, step=step)
    core = np.clip(vertices, radius, np.array(size) - radius)
    out = vertices - core
    far = np.linalg.norm(out, axis=1, keepdims=True)
    return core + radius * out / np.where(far > 0, far, 1.0), faces


def span(page, mesh, turn, one, other):
    """Two clicks, each from a point towards another, on the turned mesh."""
    name = page.learn((mesh[0] @ turn.T, mesh[1]))
    rays = [[(turn @ np.array(f)).tolist(), (turn @ np.subtract(t, f)).tolist()] for f, t in (one, other)]
    return page.evaluate("([name, a, b]) => span(name, a, b)", [name, *rays])


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    ("mesh", "slack"),
    [
        (solids.box((40.0, 20.0, 15.0)), 0.01),
        (solids.box((40.0, 20.0, 15.0), step=0.8), 0.01),
        (noisy(solids.box((40.0, 20.0, 15.0), step=0.8), 0.05), 0.05),
        (noisy(rounded((40.0, 20.0, 15.0), 1.5, 0.6), 0.08), 0.1),
    ],
    ids=["twelve faces", "fine", "noisy", "noisy and rounded"],
)
def test_a_gauge_block_is_measured_square_across_its_ends(bench, mesh, slack, seed):
    turn = turned(seed)
    found = span(bench, mesh, turn, ((-30, 8, 6), (0, 8, 6)), ((70, 13, 9), (40, 13, 9)))
    assert found["kinds"] == ["flat", "flat"]
    assert "square across" in found["words"]
    assert found["length"] == pytest.approx(40.0, abs=slack)
    ends = np.array(found["ends"])
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(found["length"], abs=1e-6)


def test_two_points_of_one_face_are_measured_along_it(bench):
    found = span(bench, solids.box((40.0, 20.0, 15.0), step=0.8), turned(3), ((-30, 4, 6), (0, 4, 6)), ((-30, 16, 11), (0, 16, 11)))
    assert found["kinds"] == ["flat", "flat"]
    assert found["length"] == pytest.approx(13.0, abs=0.01)
    assert "on one flat face" in found["words"]


def test_a_step_is_measured_from_face_to_face(bench):
    tall, low = solids.box((20.0, 20.0, 18.0), step=1.0), solids.box((30.0, 20.0, 6.0), (25.0, 0.0, 0.0), step=1.0)
    found = span(bench, solids.joined(tall, low), turned(4), ((9, 9, 60), (9, 9, 0)), ((40, 9, 60), (40, 9, 0)))
    assert found["kinds"] == ["flat", "flat"]
    assert found["length"] == pytest.approx(12.0, abs=0.01)
    assert "square across" in found["words"]


def test_a_block_beside_a_larger_part_is_measured_as_well(bench):
    block = noisy(rounded((40.0, 20.0, 15.0), 1.0, 0.6), 0.06)
    head = solids.ball(95.0, (0.0, 160.0, 0.0), level=5)
    found = span(bench, solids.joined(block, head), np.eye(3), ((-30, 8, 6), (0, 8, 6)), ((70, 13, 9), (40, 13, 9)))
    assert found["kinds"] == ["flat", "flat"]
    assert found["length"] == pytest.approx(40.0, abs=0.1)


def test_the_gauge_block_of_the_demo_scan(bench, tmp_path):
    """Noisy, wavy, torn and 3 % small: from wherever its ends are clicked, the block is as long as it was made."""
    path = demo.write(tmp_path)
    scan = read(path)
    (length,) = read_ticket(path.with_name(f"{demo.NAME}.ticket.toml")).length
    start, end = np.array(length.from_), np.array(length.to)
    way = (end - start) / np.linalg.norm(end - start)
    name = bench.learn((scan.vertices, scan.faces))
    for aside in np.random.default_rng(0).normal(0, 0.006, (4, 3)):
        rays = [[(p - s * 0.03 * way + aside).tolist(), (s * way).tolist()] for p, s in ((start, 1), (end, -1))]
        found = bench.evaluate("([name, a, b]) => span(name, a, b)", [name, *rays])
        assert found["kinds"] == ["flat", "flat"]
        assert found["length"] * 1000 == pytest.approx(demo.BLOCK * demo.SHRUNK, abs=0.1)


@pytest.mark.parametrize("sigma", [0.0, 0.05, 0.1])
def test_a_ball_is_held_whole(bench, sigma):
    head = solids.box((120.0, 90.0, 60.0), (30.0, -45.0, -60.0), step=6.0)
    mesh = solids.joined(noisy(solids.ball(12.5, level=4), sigma), head)
    found = span(bench, mesh, turned(7), ((-40, 3, 5), (0, 0, 1)), ((-40, -4, 0), (0, -2, 0)))
    assert found["kinds"] == ["ball", "ball"]
    assert found["length"] == pytest.approx(25.0, abs=0.02 + sigma)
    assert "across the ball" in found["words"]


def test_from_a_ball_to_a_flat_face(bench):
    mesh = solids.joined(solids.ball(12.5, (0.0, 0.0, 30.0), level=4), solids.box((60.0, 60.0, 5.0), (-30.0, -30.0, -5.0), step=3.0))
    found = span(bench, mesh, turned(2), ((0, 0, 90), (0, 0, 30)), ((25, 25, 90), (25, 25, 0)))
    assert found["kinds"] == ["ball", "flat"]
    assert found["length"] == pytest.approx(30.0, abs=0.05)


@pytest.mark.parametrize(
    "mesh",
    [
        solids.ball(50.0, level=5),
        noisy(solids.ball(50.0, level=5), 0.05),
        solids.tube(20.0, 5.0, 60.0, 64, 30),
        solids.torus(60.0, 22.0, 160, 80),
    ],
    ids=["ball", "noisy ball", "post of 64 sides", "ring"],
)
def test_curved_skin_is_not_taken_for_a_flat_face(bench, mesh):
    name = bench.learn(mesh)
    middle = mesh[0].mean(axis=0)
    size = float(np.linalg.norm(np.ptp(mesh[0], axis=0)))
    kinds = []
    for angle in np.linspace(0, 6.2, 12):
        way = [-float(np.cos(angle)), -float(np.sin(angle)), 0.0]
        start = [float(m - w * size) for m, w in zip(middle, way, strict=True)]
        kinds.append(bench.evaluate("([name, from, way]) => hold(name, from, way).kind", [name, start, way]))
    assert "flat" not in kinds


def test_a_ball_is_not_seen_in_a_nose(bench):
    """A bump on a bent sheet, like the tip of a nose: round, but no ball."""
    x, y = np.meshgrid(np.linspace(-30, 30, 91), np.linspace(-30, 30, 91))
    z = 18 * np.exp(-(x**2 + 2 * y**2) / 160) - 0.01 * x**2
    at = np.arange(91 * 91).reshape(91, 91)
    a, b, c, d = (q.reshape(-1) for q in (at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]))
    faces = np.vstack((np.column_stack((a, b, c)), np.column_stack((a, c, d))))
    name = bench.learn((np.column_stack((x.reshape(-1), y.reshape(-1), z.reshape(-1))), faces))
    for spot in ((0, 0), (3, 2), (8, -3), (-14, 9), (20, 20)):
        kind = bench.evaluate("([name, from, way]) => hold(name, from, way).kind", [name, [*spot, 100], [0, 0, -1]])
        assert kind == "point", spot
