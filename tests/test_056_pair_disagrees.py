"""Rule 56, pair disagrees: mirror images, the same side twice, and a known difference either side of the limit."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint.cli import main
from lint.load import read
from lint.rooms import all_rules
from lint.run import examine
from lint.save import write_part
from lint.settings import gather
from lint.shelf import Shelf
from lint.terms import BadInput, Finding, Outcome, Part, RuleResult, Source
from lint.ticket import PartTable, Ticket
from tests.scans import needs_scans, scan

RULE = all_rules()[56]
FLIP = np.diag([-1.0, 1.0, 1.0])


def wing(bump: float = 0.0) -> solids.Mesh:
    """A heron's wing without any symmetry; `bump` raises a tenth of its top smoothly by so many mm."""
    vertices, faces = solids.ball(1.0, level=4)
    x, y, z = vertices.T
    shaped = np.column_stack((50 * x + 6 * z * z, 25 * y + 5 * x * x + 4 * x * z, 12 * z + 3 * x * y))
    far = np.linalg.norm(vertices - np.array([0.48, 0.6, 0.64]), axis=1)
    shaped[:, 2] += bump * np.clip(1.5 - far / 0.6, 0, 1)
    return shaped, faces


def turned(mesh: solids.Mesh, seed: int = 4) -> solids.Mesh:
    from scipy.spatial.transform import Rotation

    return mesh[0] @ Rotation.random(rng=seed).as_matrix().T + np.array([400.0, -900.0, 30.0]), mesh[1]


def mirrored(mesh: solids.Mesh) -> solids.Mesh:
    return mesh[0] @ FLIP, mesh[1][:, ::-1]


def part(mesh: solids.Mesh, name: str = "left.stl", pair: str | None = None, units: str | None = "mm") -> Part:
    ticket = Ticket(part=PartTable(pair=pair))
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path(name), "stl", name, 0), units=units, ticket=ticket)


def judged(one: solids.Mesh, other: solids.Mesh, units: str | None = "mm") -> tuple[RuleResult, tuple[Finding, ...]]:
    shelves = {Path("left.stl"): part(one, pair="right.stl"), Path("right.stl"): part(other, "right.stl", units=units)}
    subject = shelves[Path("left.stl")]
    report = examine(subject, {56: RULE}, gather(subject.ticket), shelf=Shelf(shelves, lambda path: shelves[path]))
    return report.rules[0], report.findings


def test_a_mirror_image_however_it_lies_is_clean() -> None:
    result, found = judged(wing(), turned(mirrored(wing())))
    assert (result.outcome, found) == (Outcome.CLEAN, ())


def test_a_symmetric_pair_is_clean_either_way() -> None:
    eye = solids.ball(12, level=4)
    assert judged(eye, turned(eye))[0].outcome is Outcome.CLEAN


def test_the_same_side_twice_is_told() -> None:
    (finding,) = judged(wing(), turned(wing()))[1]
    assert finding.case == "same side"
    assert finding.measured > 1.0
    assert "fit to 0.0" in finding.message


@pytest.mark.parametrize(("bump", "says"), [(0.6, []), (3.0, ["differs"])])
def test_a_bump_either_side_of_the_limit(bump: float, says: list[str]) -> None:
    found = judged(wing(), turned(mirrored(wing(bump))))[1]
    assert [f.case for f in found] == says
    for finding in found:
        assert 1.0 < finding.measured <= bump
        assert finding.limit == 1.0
        assert finding.fix == "mirror"
        assert finding.place is not None
        top = wing(bump)[0] - wing()[0]
        at = wing()[0][np.argmax(top[:, 2])]
        assert np.linalg.norm(np.array(finding.place.centre) - at) < finding.place.reach < 30


def test_what_the_pair_has_and_the_part_has_not_is_seen() -> None:
    """A tumour of skin on the pair alone: no point of the part is far from the pair, but many of the pair are from the part."""
    growth = solids.fused(wing(), solids.box((14, 14, 24), (0, 0, 0), step=2))
    (finding,) = judged(wing(), mirrored(growth))[1]
    assert finding.case == "differs"
    assert finding.measured > 5


def test_moved_turned_and_renumbered_it_says_the_same() -> None:
    (was,) = judged(wing(), mirrored(wing(3.0)))[1]
    order = np.random.default_rng(3).permutation(len(wing()[1]))
    vertices, faces = turned((wing()[0], wing()[1][order]), 9)
    (now,) = judged((vertices.astype(np.float32).astype(float), faces), mirrored(wing(3.0)))[1]
    assert now.case == was.case
    assert now.measured == pytest.approx(was.measured, rel=0.05)


def test_without_units_or_without_the_pair_it_is_not_run() -> None:
    result, found = judged(wing(), wing(), units=None)
    assert (result.outcome, found) == (Outcome.NOT_RUN, ())
    assert "right.stl" in result.why

    def gone(path: Path) -> Part:
        raise BadInput(f"{path}: there is no such file")

    alone = part(wing(), pair="right.stl")
    report = examine(alone, {56: RULE}, gather(alone.ticket), shelf=Shelf([Path("left.stl")], gone))
    assert report.rules[0].outcome is Outcome.NOT_RUN
    assert "right.stl could not be read" in report.rules[0].why
    bare = part(wing())
    assert examine(bare, {56: RULE}, gather(bare.ticket), shelf=Shelf([], gone)).rules[0].why == "the ticket names no pair"


@pytest.fixture
def files(tmp_path: Path) -> Callable[[solids.Mesh, solids.Mesh], Path]:
    def put(one: solids.Mesh, other: solids.Mesh) -> Path:
        for name, mesh in (("left", one), ("right", other)):
            write_part(part(mesh, f"{name}.stl"), tmp_path / f"{name}.stl")
        (tmp_path / "left.stl.ticket.toml").write_text('[part]\nunits = "mm"\nside = "left"\npair = "right.stl"\n')
        (tmp_path / "right.stl.ticket.toml").write_text('[part]\nunits = "mm"\nside = "right"\n')
        return tmp_path / "left.stl"

    return put


def test_one_file_alone_is_compared_with_the_pair_beside_it(
    files: Callable[[solids.Mesh, solids.Mesh], Path], capsys: pytest.CaptureFixture[str]
) -> None:
    path = files(wing(), turned(wing()))
    assert main(["lint", str(path), "--rule", "56", "--line", "caution"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "right.stl is the same side" in said
    assert main(["lint", str(files(wing(), turned(mirrored(wing())))), "--rule", "56", "--line", "note"]) == 0


@needs_scans
def test_a_scanned_ear_and_its_mirror_image() -> None:
    ear = read(scan("ear_left.stl"))
    mesh = (ear.vertices, ear.faces)
    assert judged(mesh, turned(mirrored(mesh)))[0].outcome is Outcome.CLEAN
    assert [f.case for f in judged(mesh, turned(mesh))[1]] == ["same side"]
