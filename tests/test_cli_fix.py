"""`buckwright fix` as it is typed: what is written, what is never written, and what the record and the new ticket say."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from corpus import solids
from lint import rooms
from lint.cli import main
from lint.commands import fix as command
from lint.commands import shelves
from lint.commands.finished import MARK
from lint.load import read
from lint.load.ticket import read_ticket
from lint.save import write_part
from lint.terms import Fix, Job, Part, Promise, Rule, Shaped, Source, Touch, Weight, Zone

# A quarter turn about x and a shift: (x, y, z) -> (x + 5, -z + 6, y + 7).
TURN = np.array([[1.0, 0, 0, 5], [0, 0, -1, 6], [0, 1, 0, 7], [0, 0, 0, 1]])
MIRROR = np.diag([-1.0, 1, 1, 1])

stands = Rule(40, "stands up", Weight.STOP, "mm", {"tall": "it is {measured:.1f} {unit} tall"}, fix="settle")


@stands.find
def _stands(part: Part) -> Iterator[Any]:
    width, _, height = np.ptp(part.vertices, axis=0)
    if height > 2.5 * width:
        yield stands.finding("tall", float(height), 25.0)


def moving(matrix: np.ndarray, **more: Any) -> Fix:
    def make(job: Job) -> Shaped:
        part = job.part
        faces = part.faces[:, ::-1] if np.linalg.det(matrix[:3, :3]) < 0 else part.faces
        shaped = part.with_mesh(part.vertices @ matrix[:3, :3].T + matrix[:3, 3], faces, moved=matrix)
        zone = Zone("near", "a spot", 1.0, ((5.0, 6.0, 7.0),))
        return Shaped(shaped, Promise(clears=(40,), **more), "turned it", (zone,), matrix, ("lift with two hands",))

    return Fix("settle", Touch.RECORD, "turns it", function=make)


def breaking(job: Job) -> Shaped:
    return Shaped(job.part.with_mesh(job.part.vertices * 1.5, job.part.faces), Promise(), "grew it")


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """A folder with one rule and one fix of known mind; call the fixture's value to choose another fix."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("CI", raising=False)
    first = rooms.all_rules()[1]
    for module, name in ((command, "all_rules"), (shelves, "rooms")):
        monkeypatch.setattr(module, name, lambda: {1: first, 40: stands})

    def use(fix: Fix) -> None:
        monkeypatch.setattr(command, "all_fixes", lambda: {fix.name: fix})

    use(moving(TURN))
    return use


def put(path: Path, size: tuple[float, float, float] = (10, 20, 30), units: str | None = "mm") -> Path:
    vertices, faces = solids.box(size, step=max(size))
    write_part(Part(vertices.copy(), faces.copy(), Source(path, "stl", "", 0), units=units), path)
    return path


TICKET = """\
[part]
body = "nose"
side = "left"
units = "cm"
pair = "other.stl"
face = [0.0, 0.0, 1.0]
[[length]]
from = [0.0, 0.0, 0.0]
to = [4.0, 0.0, 0.0]
true = 40.0
name = "block"
[[caliper]]
name = "rim"
from = [0.0, 1.0, 0.0]
to = [0.0, 0.0, 1.0]
read = 14.0
[print]
nozzle = 0.6
[use]
pull = [0.0, 1.0, 0.0]
wall = 2.5
[fix]
allow = "skin"
"""


def test_part_record_and_ticket_are_written_and_the_input_is_not(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    source = put(Path("troll.stl"), (1, 2, 3))
    Path("troll.ticket.toml").write_text(TICKET)
    before = {p.name: p.read_bytes() for p in Path.cwd().iterdir()}
    assert main(["fix", "troll.stl", "--to", "out.3mf", "--layer", "0.1"]) == 0
    assert {p.name: p.read_bytes() for p in Path.cwd().iterdir() if not p.name.startswith("out")} == before
    made = {p.name for p in Path.cwd().iterdir()} - set(before)
    assert made == {"out.3mf", "out.3mf.record.json", "out.3mf.ticket.toml"}

    record = json.loads(Path("out.3mf.record.json").read_text())
    placement = TURN @ np.diag([10, 10, 10, 1])
    assert np.allclose(record["placement"], placement)
    assert record["input"]["sha256"] == hashlib.sha256(source.read_bytes()).hexdigest()
    assert record["output"]["sha256"] == hashlib.sha256(Path("out.3mf").read_bytes()).hexdigest()
    assert (record["input"]["units"], record["input"]["units_from"]) == ("cm", "the ticket")
    assert record["settings"]["nozzle"] == {"value": 0.6, "set_by": "the ticket"}
    assert record["settings"]["layer"] == {"value": 0.1, "set_by": "--layer"}
    (step,) = record["steps"]
    assert (step["name"], step["touch"], step["outcome"], step["moved_max_mm"]) == ("settle", "record", "done", 0)
    assert step["zones"] == [{"kind": "near", "why": "a spot", "size": 1, "points": [[5, 6, 7]], "chain": False}]
    assert step["cautions"] == ["lift with two hands"]
    assert (record["tool"]["name"], record["tool"]["edition"]) == ("buckwright", 1)

    ticket = read_ticket(Path("out.3mf.ticket.toml"))
    assert ticket.part.units == "mm"
    assert (ticket.part.body, ticket.part.side, ticket.part.pair) == ("nose", "left", "other.stl")
    assert np.allclose([ticket.length[0].from_, ticket.length[0].to], [[5, 6, 7], [45, 6, 7]])
    assert (ticket.length[0].true, ticket.length[0].name) == (40, "block")
    assert np.allclose([ticket.caliper[0].from_, ticket.caliper[0].to], [[5, 6, 17], [5, -4, 7]])
    assert ticket.caliper[0].read == 14
    assert np.allclose(ticket.use.pull or (), [0, 0, 1])
    assert np.allclose(ticket.part.face or (), [0, -1, 0])
    assert (ticket.print.nozzle, ticket.print.layer, ticket.use.wall) == (0.6, 0.1, 2.5)
    said = " ".join(capsys.readouterr().out.split())
    assert "wrote out.3mf, out.3mf.record.json and out.3mf.ticket.toml" in said
    assert "lift with two hands" in said


@pytest.mark.parametrize("ending", ["stl", "3mf", "ply", "obj", "off", "glb"])
def test_the_points_of_the_new_ticket_lie_where_they_lay_on_the_part(bench: Any, ending: str) -> None:
    """In every format: a corner marked in the input's numbers is the same corner in the output's, read as anyone would read it."""
    put(Path("troll.stl"), (1, 2, 3))
    corner = read(Path("troll.stl")).vertices.max(axis=0)
    Path("troll.ticket.toml").write_text(f'[part]\nunits = "cm"\n[[length]]\nfrom = {corner.tolist()}\nto = [0.0, 0.0, 0.0]\ntrue = 5.0\n')
    out = Path(f"out.{ending}")
    assert main(["fix", "troll.stl", "--to", str(out)]) == 0
    finished = shelves.read_part(out, shelves.Facts()).part
    assert finished.units is not None
    wanted = TURN[:3, :3] @ (corner * 10) + TURN[:3, 3]
    assert np.allclose(finished.place_points([finished.ticket.length[0].from_])[0], wanted, atol=1e-4)
    assert np.abs(finished.vertices - wanted).max(axis=1).min() < 1e-4


def test_a_mirrored_part_is_of_the_other_side_and_no_longer_of_that_pair(bench: Any) -> None:
    put(Path("troll.stl"), (1, 2, 3))
    Path("troll.ticket.toml").write_text(TICKET)
    bench(moving(MIRROR @ TURN))
    assert main(["fix", "troll.stl", "--to", "out.stl"]) == 0
    part = read_ticket(Path("out.stl.ticket.toml")).part
    assert (part.side, part.pair) == ("right", None)


def test_a_pair_in_another_folder_is_still_found(bench: Any) -> None:
    put(Path("troll.stl"), (1, 2, 3))
    Path("troll.ticket.toml").write_text(TICKET)
    Path("done").mkdir()
    assert main(["fix", "troll.stl", "--to", "done/out.stl"]) == 0
    pair = read_ticket(Path("done/out.stl.ticket.toml")).part.pair
    assert pair is not None
    assert (Path("done") / pair).resolve() == Path("other.stl").resolve()


def test_json_has_steps_before_and_after(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm", "--as", "json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert [s["outcome"] for s in said["steps"]] == ["done"]
    assert [f["rule"] for f in said["before"]["findings"]] == [40]
    assert said["after"]["findings"] == []
    assert said["before"]["path"] == "troll.stl"
    assert said["after"]["path"] == "out.stl"
    assert said["after"]["sha256"] == hashlib.sha256(Path("out.stl").read_bytes()).hexdigest()
    assert said["written"] == ["out.stl", "out.stl.record.json", "out.stl.ticket.toml"]
    assert said["exit"] == 0


def files() -> dict[str, bytes]:
    return {str(p): p.read_bytes() for p in Path.cwd().rglob("*") if p.is_file()}


def test_a_broken_promise_writes_nothing(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    bench(Fix("settle", Touch.RECORD, "grows it", function=breaking))
    put(Path("troll.stl"))
    before = files()
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    assert files() == before
    said = " ".join(capsys.readouterr().out.split())
    assert "promise broke" in said
    assert "nothing was written" in said


def test_a_plan_writes_nothing_and_says_what_would_be(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    before = files()
    assert main(["fix", "troll.stl", "--plan", "--units", "mm"]) == 0
    assert main(["fix", "troll.stl", "--plan", "--units", "mm", "--to", "out.stl", "--as", "json"]) == 0
    assert files() == before
    said = capsys.readouterr().out
    assert "would be done" in said
    assert "lift with two hands" in said
    assert '"plan": true' in said


def test_a_stop_left_is_written_and_said(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    bench(Fix("close", Touch.SKIN, "closes", function=breaking))
    put(Path("troll.stl"))
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 1
    assert Path("out.stl").is_file()
    said = " ".join(capsys.readouterr().out.split())
    assert "nothing to mend" in said
    assert "1 stop is left: the part was written all the same" in said
    assert np.allclose(read(Path("out.stl")).vertices, read(Path("troll.stl")).vertices)


def test_a_crash_in_a_fix_is_ours_and_writes_nothing(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    def crash(job: Job) -> Shaped:
        raise ZeroDivisionError("oh dear")

    bench(Fix("settle", Touch.RECORD, "crashes", function=crash))
    put(Path("troll.stl"))
    before = files()
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    assert files() == before
    assert "this is a bug of buckwright: ZeroDivisionError: oh dear" in capsys.readouterr().err


REFUSED = ["troll.stl", "./troll.stl", "link.stl", "hard.stl", "out.pdf", "out", "folder.stl", "nowhere/out.stl", "troll.ticket.toml"]


@pytest.mark.parametrize("to", REFUSED)
def test_an_output_that_must_not_be_written_is_refused_before_any_work(
    bench: Any, to: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    put(Path("troll.stl"))
    Path("troll.ticket.toml").write_text(TICKET)
    Path("link.stl").symlink_to("troll.stl")
    Path("hard.stl").hardlink_to("troll.stl")
    Path("folder.stl").mkdir()
    before = files()
    monkeypatch.setattr(command, "mend", lambda *a, **k: pytest.fail("work was done"))
    assert main(["fix", "troll.stl", "--to", to]) == 2
    assert capsys.readouterr().err.startswith("buckwright: ")
    assert files() == before


def test_a_ticket_written_by_hand_stands_and_our_own_is_renewed(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    Path("out.stl.ticket.toml").write_text("# by hand\n")
    before = files()
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    assert files() == before
    assert "a ticket that a person wrote" in capsys.readouterr().err
    Path("out.stl.ticket.toml").unlink()
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 0
    assert MARK in Path("out.stl.ticket.toml").read_text().splitlines()[0]
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 0


def test_a_part_that_no_fix_wrote_is_never_written_over(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    put(Path("only-one.stl"), (3, 3, 3))
    before = files()
    assert main(["fix", "troll.stl", "--to", "only-one.stl", "--units", "mm"]) == 2
    assert "perhaps the only one" in capsys.readouterr().err
    assert files() == before
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 0
    put(Path("out.stl"), (3, 3, 3))  # changed by hand since
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    Path("out.stl").unlink()
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 0


def test_a_strange_record_stands_and_so_does_the_ticket_in_use(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    Path("out.stl.record.json").write_text('{"my": "diary"}')
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    Path("out.stl.record.json").unlink()
    Path("out.stl.ticket.toml").write_text(f"# {MARK}\n[part]\nunits = 'mm'\n")
    assert main(["fix", "troll.stl", "--to", "out.stl", "--ticket", "out.stl.ticket.toml"]) == 2
    assert "the ticket of the part to be mended" in capsys.readouterr().err
    assert not Path("out.stl").exists()


def test_unknown_units_are_asked_for_and_the_fitting_one_is_named(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"), (0.05, 0.06, 0.03))
    assert main(["fix", "troll.stl", "--to", "out.stl"]) == 2
    assert "units unknown" in capsys.readouterr().err
    Path("troll.ticket.toml").write_text('[part]\nbody = "nose"\n')
    assert main(["fix", "troll.stl", "--to", "out.stl"]) == 2
    said = capsys.readouterr().err
    assert "a life-size nose would fit the numbers in m" in said
    assert 'units = "m"' in said
    assert not Path("out.stl").exists()


def test_a_length_that_no_step_could_use_leaves_nothing_written(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    Path("troll.ticket.toml").write_text("[[length]]\nfrom = [0.0, 0.0, 0.0]\nto = [1.0, 0.0, 0.0]\ntrue = 40.0\n")
    assert main(["fix", "troll.stl", "--to", "out.stl"]) == 2
    assert "true size is still unknown" in capsys.readouterr().err
    assert not Path("out.stl").exists()


def test_how_far_a_fix_may_go(bench: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> None:
    put(Path("troll.stl"))

    def allowed(*words: str) -> dict[str, str]:
        main(["fix", "troll.stl", "--plan", "--units", "mm", "--as", "json", *words])
        allow: dict[str, str] = json.loads(capsys.readouterr().out)["before"]["settings"]["allow"]
        return allow

    assert allowed()["value"] == "skin"
    assert allowed("--allow", "piece") == {"value": "piece", "set_by": "--allow"}
    monkeypatch.setenv("CI", "true")
    assert allowed()["value"] == "record"
    assert "CI" in allowed()["set_by"]
    assert allowed("--allow", "skin")["value"] == "skin"
    Path("troll.ticket.toml").write_text('[fix]\nallow = "inside"\n')
    assert allowed() == {"value": "inside", "set_by": "the ticket"}
    monkeypatch.setenv("CI", "")
    Path("troll.ticket.toml").unlink()
    assert allowed()["value"] == "skin"


def test_a_step_asked_for_is_a_step_of_the_run(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    put(Path("troll.stl"))
    bench(Fix("hollow", Touch.INSIDE, "hollows", on_demand=True, function=breaking))
    Path("troll.ticket.toml").write_text('[part]\nunits = "mm"\n[fix]\nsteps = ["hollow"]\n')
    assert main(["fix", "troll.stl", "--plan", "--as", "json"]) == 2
    said = json.loads(capsys.readouterr().out)
    assert said["before"]["settings"]["steps"] == {"value": ["hollow"], "set_by": "the ticket"}
    assert [(s["name"], s["outcome"]) for s in said["steps"]] == [("hollow", "promise broke")]
    assert main(["fix", "troll.stl", "--plan", "--step", "key"]) == 2
    assert "key" in capsys.readouterr().err


def test_a_part_that_cannot_be_read_is_one_line(bench: Any, capsys: pytest.CaptureFixture[str]) -> None:
    Path("bad.stl").write_bytes(b"\0" * 90)
    assert main(["fix", "bad.stl", "--to", "out.stl", "--units", "mm"]) == 2
    caught = capsys.readouterr()
    assert caught.err.count("\n") == 1
    assert caught.out == ""
    assert not Path("out.stl").exists()


def test_nothing_left_behind_when_the_output_does_not_read_back(
    bench: Any, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    put(Path("troll.stl"))
    monkeypatch.setattr(command, "_compare", lambda *a: (_ for _ in ()).throw(RuntimeError("does not read back")))
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    assert "bug of buckwright" in capsys.readouterr().err
    assert sorted(p.name for p in Path().iterdir()) == ["troll.stl"]


def test_a_run_killed_between_record_and_part_is_not_in_the_way(bench: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    put(Path("troll.stl"))
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 0
    put(Path("troll.stl"), (10, 20, 40))
    real, written = command.swap_in, Path("out.stl").read_bytes()

    def die(path: Path, *data: Any, **more: Any) -> None:
        if path.suffix == ".stl":
            raise KeyboardInterrupt
        real(path, *data, **more)

    with monkeypatch.context() as patch:
        patch.setattr(command, "swap_in", die)
        patch.setattr("lint.cli.os.kill", lambda *_: None)
        assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 2
    assert Path("out.stl").read_bytes() == written
    assert main(["fix", "troll.stl", "--to", "out.stl", "--units", "mm"]) == 0
    assert Path("out.stl").read_bytes() != written
