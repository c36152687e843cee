"""Rule 72, same part twice: every kind of re-export is found and named, near misses are not, and each part is read once to compare."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.commands.looking import look
from lint.commands.running import How, Run
from lint.commands.shelves import Facts
from lint.load import SUFFIXES, read
from lint.measure import Survey
from lint.measure.moments import moments_of
from lint.rooms import all_rules
from lint.run import examine
from lint.save import write_part
from lint.settings import gather
from lint.shelf import Shelf
from lint.terms import BadInput, Finding, NotRun, Outcome, Part, Source
from lint.ticket import PartTable, Ticket
from tests.scans import SCANS, needs_scans

RULE = all_rules()[72]


def beak(bend: float = 1.0) -> solids.Mesh:
    """A heron's beak without any symmetry, 30 mm long."""
    vertices, faces = solids.ball(1.0, level=3)
    x, y, z = vertices.T
    return np.column_stack((15 * x + 3 * z * z, 6 * y + 2 * bend * x * x + x * z, 4 * z + x * y)), faces


def turn(seed: int) -> np.ndarray:
    from scipy.spatial.transform import Rotation

    return np.asarray(Rotation.random(rng=seed).as_matrix())


def mirrored(mesh: solids.Mesh) -> solids.Mesh:
    return mesh[0] * (-1.0, 1.0, 1.0), mesh[1][:, ::-1]


def part(mesh: solids.Mesh, name: str, units: str | None = "mm", **table: str) -> Part:
    ticket = Ticket(part=PartTable(**table))  # type: ignore[arg-type]
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path(name), "stl", f"fingerprint of {name}", 0), units=units, ticket=ticket)


def shelf_of(*parts: Part) -> dict[Path, Part]:
    return {p.source.path: p for p in parts}


def said(parts: Mapping[Path, Part], name: str = "a.stl") -> list[Finding]:
    subject = parts[Path(name)]
    report = examine(subject, {72: RULE}, gather(subject.ticket), shelf=Shelf(parts, lambda path: parts[path]))
    assert report.rules[0].outcome in (Outcome.CLEAN, Outcome.FOUND), report.rules[0].why
    return list(report.findings)


def float32(mesh: solids.Mesh) -> solids.Mesh:
    return mesh[0].astype(np.float32).astype(float), mesh[1]


def renumbered(mesh: solids.Mesh) -> solids.Mesh:
    rng = np.random.default_rng(1)
    order = rng.permutation(len(mesh[0]))
    return mesh[0][order], np.argsort(order)[mesh[1]][rng.permutation(len(mesh[1]))]


def at(mesh: solids.Mesh, matrix: np.ndarray, shift: tuple[float, float, float] = (0, 0, 0)) -> solids.Mesh:
    return mesh[0] @ matrix.T + shift, mesh[1]


UPRIGHT = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])
AGAIN = {
    "32-bit numbers": (float32(beak()), "again", "is this part again: "),
    "renumbered": (renumbered(beak()), "again", "is this part again: "),
    "corners of its own": ((beak()[0][beak()[1]].reshape(-1, 3), np.arange(3 * len(beak()[1])).reshape(-1, 3)), "again", "again: "),
    "every face cut in four": (solids.halve(*beak()), "again", "again: "),
    "moved by a metre, in 32 bits": (float32(at(beak(), np.eye(3), (1000, -1000, 1000))), "again", "again, moved: "),
    "another axis up": (at(beak(), UPRIGHT), "again", "turned: "),
    "turned": (at(beak(), turn(5)), "again", "turned: "),
    "moved, turned, renumbered": (float32(renumbered(at(beak(), turn(6), (50, 0, 9)))), "again", "again, moved and turned: "),
    "mirrored": (mirrored(beak()), "mirrored", "mirrored"),
    "mirrored and turned": (at(mirrored(beak()), turn(7), (3, 4, 5)), "mirrored", "mirrored, moved and turned: "),
    "written in metres": (at(beak(), np.eye(3) * 0.001), "again", "another unit, 1000 times as small: "),
    "written in inches, turned": (at(beak(), turn(8) / 25.4), "again", "in another unit, 25.4 times as small: "),
    "taken for centimetres": (at(beak(), np.eye(3) * 10), "again", "in another unit, 10 times as large: "),
    "six decimals of a metre": (at(beak(), np.eye(3) * 0.001)[0].round(6) * 1000, "again", "again: "),
}


@pytest.mark.parametrize("kind", AGAIN)
def test_a_re_export_is_found_and_named(kind: str) -> None:
    mesh, case, words = AGAIN[kind]
    other = mesh if isinstance(mesh, tuple) else (mesh, beak()[1])
    (finding,) = said(shelf_of(part(beak(), "a.stl"), part(other, "b.stl"), part(beak(1.3), "c.stl")))
    assert (finding.case, finding.message.split()[0]) == (case, "b.stl")
    assert words in finding.message
    assert finding.limit is not None
    assert finding.measured < finding.limit < 0.005


def test_both_say_it() -> None:
    parts = shelf_of(part(beak(), "a.stl"), part(at(beak(), np.eye(3) / 25.4), "b.stl", units=None))
    assert "times as small" in said(parts)[0].message
    assert "times as large" in said(parts, "b.stl")[0].message
    assert said(parts, "b.stl")[0].unit == "file units"


# Shapes with no clear principal directions: a symmetric body with one small unsymmetric thing on it.
@pytest.mark.parametrize("body", ["cube", "rod", "ball"])
def test_a_body_without_clear_directions_is_known_again_however_turned(body: str) -> None:
    solid = {"cube": solids.box((20, 20, 20), (-10, -10, -10)), "rod": solids.tube(8, 0, 50, sides=64), "ball": solids.ball(12)}[body]
    keyed = solids.fused(solid, solids.box((3, 4, 12), (6, 1, 2)))
    for seed in (1, 2):
        (finding,) = said(shelf_of(part(keyed, "a.stl"), part(at(keyed, turn(seed)), "b.stl")))
        assert finding.case == "again"
        if body != "ball":  # on a ball nothing but its facets tells how it was turned
            (finding,) = said(shelf_of(part(solid, "a.stl"), part(at(solid, turn(seed)), "b.stl")))
            assert finding.case == "again"


NEAR_MISSES = {
    "a copy 1 % larger": at(beak(), np.eye(3) * 1.01),
    "half the size": at(beak(), np.eye(3) * 0.5),
    "twelve parts of a thousand longer": at(beak(), np.diag([1.0012, 1, 1])),
    "another bend": beak(1.02),
    "scan noise of 0.02 mm": (beak()[0] + np.random.default_rng(0).normal(0, 0.02, beak()[0].shape), beak()[1]),
    "a mark cut 0.4 mm deep": solids.cut(beak(), solids.box((2, 1, 5), (-1, 0, beak()[0][np.abs(beak()[0][:, 0]) < 1, 2].max() - 0.4))),
    "a hole through it": solids.cut(beak(), solids.box((1, 1, 40), (2, 0, -20))),
    "faces taken out": (beak()[0], beak()[1][5:]),
}


@pytest.mark.parametrize("kind", NEAR_MISSES)
def test_a_near_miss_is_another_part(kind: str) -> None:
    for other in (NEAR_MISSES[kind], at(NEAR_MISSES[kind], turn(3))):
        assert said(shelf_of(part(beak(), "a.stl"), part(other, "b.stl"))) == []


def test_a_declared_pair_is_no_copy() -> None:
    other = mirrored(beak())
    assert [f.case for f in said(shelf_of(part(beak(), "a.stl"), part(other, "b.stl")))] == ["mirrored"]
    assert said(shelf_of(part(beak(), "a.stl", pair="b.stl"), part(other, "b.stl"))) == []
    assert said(shelf_of(part(beak(), "a.stl"), part(other, "b.stl", pair="a.stl"))) == []
    assert said(shelf_of(part(beak(), "a.stl", side="left"), part(other, "b.stl", side="right"))) == []
    assert [f.case for f in said(shelf_of(part(beak(), "a.stl", side="left"), part(other, "b.stl", side="left")))] == ["mirrored"]
    twice = shelf_of(part(beak(), "a.stl", side="left"), part(at(beak(), turn(1)), "b.stl", side="right"))
    assert [f.case for f in said(twice)] == ["again"], "left and right of one shape are no pair"


def test_of_many_copies_a_few_are_named_and_every_copy_speaks() -> None:
    parts = shelf_of(*(part(at(beak(), turn(n)), f"{name}.stl") for n, name in enumerate("abcdefgh")))
    assert len(said(parts)) == 4
    assert len(said(parts, "h.stl")) == 4


def test_a_lone_part_and_a_part_that_cannot_be_read() -> None:
    lone = part(beak(), "a.stl")
    report = examine(lone, {72: RULE}, gather(lone.ticket), shelf=Shelf([Path("a.stl")], lambda path: lone))
    assert report.rules[0].why == "it compares parts, and only one was given"
    parts = shelf_of(lone, part(at(beak(), turn(2)), "c.stl"))

    def load(path: Path) -> Part:
        if path.name == "crash.stl":
            raise ZeroDivisionError("ours")
        if path not in parts:
            raise BadInput(f"{path}: cut off")
        return parts[path]

    report = examine(lone, {72: RULE}, gather(lone.ticket), shelf=Shelf([*parts, Path("bad.stl"), Path("crash.stl")], load))
    assert [f.message.split()[0] for f in report.findings] == ["c.stl"]


def test_moments_of_known_bodies() -> None:
    """A cube of side a: x^2 means 5 a^2 / 36 over its surface. A thin ring-free square sheet: a^2 / 12 in its plane, none across."""
    cube = moments_of(*solids.box((6, 6, 6), (100, 200, 300), step=2))
    assert cube.area == pytest.approx(216)
    assert cube.middle == pytest.approx((103, 203, 303))
    assert cube.radius**2 == pytest.approx(3 * 5 * 36 / 36)
    sheet = moments_of(np.array([[0.0, 0, 7], [12, 0, 7], [12, 12, 7], [0, 12, 7]]), np.array([[0, 1, 2], [0, 2, 3]]))
    assert sheet.radius**2 == pytest.approx(24)
    assert sheet.spread == pytest.approx((0.5, 0.5, 0))


def test_the_signature_does_not_depend_on_how_the_skin_is_cut_into_faces() -> None:
    """Exact for polynomials of the fourth degree: cutting every face in four changes nothing but rounding."""
    coarse, fine = (Survey(part(mesh, "a.stl")).get("signature").shape for mesh in (beak(), solids.halve(*beak())))
    assert coarse == pytest.approx(fine, abs=1e-12)
    assert len(set(np.round(coarse, 3))) == 8


@pytest.mark.parametrize("mesh", [(np.zeros((3, 3)), np.array([[0, 1, 2]])), (np.full((3, 3), np.nan), np.array([[0, 1, 2]])),
                                  (np.eye(3), np.array([[0, 1, 7]])), (np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))])  # fmt: skip
def test_a_mesh_without_skin_has_no_signature(mesh: solids.Mesh) -> None:
    with pytest.raises(NotRun):
        Survey(part(mesh, "a.stl")).get("signature")


def test_files_of_other_formats_and_plain_copies(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "old").mkdir()
    for name in ("beak.stl", "beak.ply", "old/beak.glb", "other.stl"):
        write_part(part(beak() if name != "other.stl" else beak(1.2), name), Path(name))
    Path("copy.stl").write_bytes(Path("beak.stl").read_bytes())
    assert main(["lint", ".", "--rule", "72", "--jobs", "1", "--line", "note", "--units", "mm"]) == 1
    out = " ".join(capsys.readouterr().out.split())
    assert "copy.stl is this part again, byte for byte" in out
    assert "old/beak.glb is this part again" in out
    assert "../beak.ply is this part again" in out
    assert "other.stl is this part" not in out
    assert "4: keep the file" in out, "four files speak, and the other one does not"


def test_a_shelf_of_parts_is_read_once_to_compare_and_judged_in_processes(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    paths = []
    for number in range(24):
        path = tmp_path / f"{number:03}.stl"
        mesh = beak(float(rng.uniform(-2, 2))) if number % 12 else at(beak(), turn(number))
        write_part(part(mesh, str(path)), path)
        paths.append(path)
    reports = look(paths, Run(Facts(flags={"units": "mm"}), frozenset({72}), tuple(paths)), How(2))
    assert {r.path.name for r in reports if r.findings} == {"000.stl", "012.stl"}
    assert [r.findings[0].message.split()[0] for r in reports if r.findings] == ["012.stl", "000.stl"]


@needs_scans
def test_no_two_of_the_real_meshes_are_the_same() -> None:
    assert SCANS is not None
    parts = {}
    for path in sorted(p for p in SCANS.iterdir() if p.suffix.lower() in SUFFIXES):
        parts[path] = read(path)
    shelf = Shelf(parts, lambda path: parts[path])
    for path, subject in parts.items():
        assert examine(subject, {72: RULE}, gather(subject.ticket), shelf=shelf).findings == (), path.name
