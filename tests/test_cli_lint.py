"""`buckwright lint` as it is typed: what is found, what is said, how it ends."""

from __future__ import annotations

import json
import os
import signal
import struct
import subprocess
import sys
import time
import xml.etree.ElementTree as Tree
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from corpus import solids
from lint import rooms
from lint.cli import main
from lint.commands import judging as command
from lint.commands import lint as lint_command
from lint.commands import listing, shelves
from lint.save import write_part
from lint.terms import Limit, Part, Rule, Source, Weight

ROOT = Path(__file__).resolve().parents[1]

open_edge = Rule(4, "wide", Weight.STOP, "mm", {"wide": "it is {measured:.1f} {unit} wide, {limit:.1f} is allowed"},
                 {"width": Limit(15.0, "mm", "made for this test")}, needs=("units",))  # fmt: skip
tall = Rule(9, "tall", Weight.CAUTION, "mm", {"tall": "it is {measured:.1f} {unit} tall"}, after=(4,))


@open_edge.find
def _wide(part: Part, limits: dict[str, float]) -> Iterator[Any]:
    width = float(np.ptp(part.vertices[:, 0]))
    if width > limits["width"]:
        yield open_edge.finding("wide", width, limits["width"])


@tall.find
def _tall(part: Part) -> Iterator[Any]:
    height = float(np.ptp(part.vertices[:, 2]))
    if height > 12:
        yield tall.finding("tall", height)


@pytest.fixture
def two_rules(monkeypatch: pytest.MonkeyPatch) -> None:
    """Two rules of known mind in place of the catalogue, so that these tests speak of the command alone."""
    first = rooms.all_rules()[1]
    for module, name in ((command, "all_rules"), (command, "rooms"), (listing, "all_rules"), (lint_command, "rooms"), (shelves, "rooms")):
        monkeypatch.setattr(module, name, lambda: {1: first, 4: open_edge, 9: tall})


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def put(path: Path, size: tuple[float, float, float] = (10, 10, 10)) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    vertices, faces = solids.box(size, step=max(size))
    write_part(Part(vertices.copy(), faces.copy(), Source(path, "stl", "", 0), units="mm"), path)
    return path


def said(capsys: pytest.CaptureFixture[str], *words: str | Path) -> tuple[int, dict[str, Any]]:
    code = main(["lint", *map(str, words), "--as", "json", "--jobs", "1"])
    loaded: dict[str, Any] = json.loads(capsys.readouterr().out)
    return code, loaded


def test_exit_codes(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    small, wide, high = put(shelf / "a.stl"), put(shelf / "b.stl", (20, 10, 10)), put(shelf / "c.stl", (10, 10, 20))
    assert said(capsys, small, "--units", "mm")[0] == 0
    assert said(capsys, wide, "--units", "mm")[0] == 1
    assert said(capsys, high, "--units", "mm")[0] == 0
    assert said(capsys, high, "--units", "mm", "--line", "caution")[0] == 1
    assert said(capsys, wide)[0] == 0, "without units the rule is not run"


def test_a_missing_file_an_unknown_ending_and_a_broken_part_do_not_stop_the_rest(
    two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(shelf / "good.stl")
    (shelf / "notes.txt").write_text("hello")
    (shelf / "cut.stl").write_bytes(b"\0" * 80 + (1000).to_bytes(4, "little") + b"\0" * 70)
    code, report = said(capsys, "missing.stl", "notes.txt", "cut.stl", "good.stl")
    assert code == 2
    assert [p["path"] for p in report["parts"]] == ["missing.stl", "notes.txt", "cut.stl", "good.stl"]
    assert [p["unreadable"] is None for p in report["parts"]] == [False, False, False, True]
    assert all("\n" not in (p["unreadable"] or "") for p in report["parts"])
    for form in ("terminal", "sarif", "junit", "markdown"):
        assert main(["lint", "missing.stl", "good.stl", "--as", form, "--jobs", "1"]) == 2
        assert "missing.stl" in capsys.readouterr().out.replace("\\", "")


def test_folders_are_searched_and_hidden_ones_are_not(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("b/two.stl", "b/TEN.STL", "a/one.obj", ".hidden/three.stl", "b/._four.stl"):
        put(shelf / name)
    (shelf / "b" / "readme.txt").write_text("no part")
    (shelf / "b" / "again").symlink_to(shelf, target_is_directory=True)
    (shelf / "b" / "link.stl").symlink_to(shelf / "b" / "two.stl")
    code, report = said(capsys, ".")
    assert code == 0
    assert [p["path"] for p in report["parts"]] == ["a/one.obj", "b/TEN.STL", "b/link.stl"]
    code, report = said(capsys, "b/two.stl", ".")
    assert [p["path"] for p in report["parts"]] == ["b/two.stl", "a/one.obj", "b/TEN.STL"]


def test_no_parts_is_said_and_is_no_success(shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (shelf / "empty").mkdir()
    assert main(["lint", "empty"]) == 2
    caught = capsys.readouterr()
    assert "no parts matched" in caught.err
    assert caught.out == ""


def test_only_the_rules_asked_for_are_told_but_those_before_them_are_run(
    two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(shelf / "both.stl", (20, 10, 20))
    code, report = said(capsys, "both.stl", "--units", "mm", "--rule", "9")
    (rule,) = report["parts"][0]["rules"]
    assert (rule["number"], rule["outcome"]) == (9, "not run")
    assert rule["why"] == "rule 4 spoke first; mend that, then this can be judged"
    assert code == 0
    code, report = said(capsys, "both.stl", "--units", "mm", "--rule", "4")
    assert [f["rule"] for f in report["parts"][0]["findings"]] == [4]
    assert code == 1
    assert main(["lint", "both.stl", "--rule", "4711"]) == 2
    assert "there is no such rule" in capsys.readouterr().err


def test_the_ticket_the_shop_file_and_the_flags_each_have_their_say(
    two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    put(shelf / "part.stl", (1, 1, 1))
    (shelf / "shop.toml").write_text('[part]\nunits = "cm"\n[print]\nnozzle = 0.8\n[rule.4]\nwidth = 5.0\nbecause = "a small bench"\n')
    (shelf / "part.stl.ticket.toml").write_text("[print]\nlayer = 0.1\n")
    code, report = said(capsys, "part.stl")
    part = report["parts"][0]
    assert part["extents_mm"] == [10, 10, 10]
    assert (part["units"], part["units_from"]) == ("cm", "shop.toml")
    assert part["settings"]["nozzle"]["value"] == 0.8
    assert part["settings"]["nozzle"]["set_by"].endswith("shop.toml")
    assert part["settings"]["layer"] == {"value": 0.1, "set_by": "the ticket"}
    limit = next(r for r in part["rules"] if r["number"] == 4)["limits"]["width"]
    assert limit["value"] == 5
    assert "a small bench" in limit["set_by"]
    assert code == 1
    code, report = said(capsys, "part.stl", "--units", "mm", "--nozzle", "0.6")
    assert report["parts"][0]["settings"]["nozzle"] == {"value": 0.6, "set_by": "--nozzle"}
    assert code == 0


def test_a_bad_ticket_is_that_parts_trouble(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(shelf / "a.stl")
    put(shelf / "b.stl")
    (shelf / "a.ticket.toml").write_text("[part]\nbodyy = 'nose'\n")
    code, report = said(capsys, ".")
    assert code == 2
    assert "bodyy" in report["parts"][0]["unreadable"]
    assert report["parts"][1]["unreadable"] is None


def test_another_ticket_is_for_one_part_only(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(shelf / "a.stl")
    put(shelf / "b.stl")
    (shelf / "facts.toml").write_text('[part]\nunits = "cm"\n')
    _, report = said(capsys, "a.stl", "--ticket", "facts.toml")
    assert report["parts"][0]["units"] == "cm"
    assert main(["lint", "a.stl", "b.stl", "--ticket", "facts.toml"]) == 2
    assert "what one part is" in capsys.readouterr().err


def test_a_report_goes_into_a_file_but_never_over_a_part(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    part = put(shelf / "a.stl")
    before = part.read_bytes()
    assert main(["lint", "a.stl", "--as", "junit", "--to", "report.xml", "--jobs", "1"]) == 0
    assert Tree.parse(shelf / "report.xml").getroot().tag == "testsuites"
    assert capsys.readouterr().out == ""
    for name in ("a.stl", "a.stl.ticket.toml", "."):
        assert main(["lint", "a.stl", "--to", name]) == 2
    assert part.read_bytes() == before
    assert sorted(p.name for p in shelf.iterdir()) == ["a.stl", "report.xml"]


def test_the_ledger_is_heard_and_told_what_is_paid(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    put(shelf / "parts" / "wide.stl", (20, 10, 10))
    entry = '[[accepted]]\npart = "parts/wide.stl"\nrule = {}\ncase = "{}"\nbecause = "{}"\n'
    (shelf / "ledger.toml").write_text(entry.format(4, "wide", "the tin king is broad") + entry.format(9, "tall", "he was tall"))
    code, report = said(capsys, "parts", "--units", "mm")
    part = report["parts"][0]
    assert code == 0
    assert part["findings"][0]["accepted"] == "the tin king is broad"
    assert not any("he was tall" in n for n in part["notes"]), "rule 9 was not run, so nothing was paid"
    put(shelf / "parts" / "wide.stl")
    code, report = said(capsys, "parts", "--units", "mm")
    notes = " ".join(report["parts"][0]["notes"])
    assert "paid, take it out of ledger.toml: rule 4, wide (the tin king is broad)" in notes
    assert "he was tall" in notes


def test_only_what_changed(two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def git(*words: str) -> None:
        subprocess.run(["git", "-c", "user.name=n", "-c", "user.email=e@x.example", *words], cwd=shelf, check=True, capture_output=True)

    put(shelf / "a.stl")
    put(shelf / "b.stl")
    git("init", "-q")
    git("add", ".")
    git("commit", "-qm", "two parts")
    assert main(["lint", ".", "--changed-since", "HEAD"]) == 0
    assert "no part changed since HEAD" in capsys.readouterr().out
    put(shelf / "b.stl", (11, 10, 10))
    _, report = said(capsys, ".", "--changed-since", "HEAD")
    assert [p["path"] for p in report["parts"]] == ["b.stl"]


def test_a_crash_of_a_rule_is_ours_and_the_other_rules_speak(
    two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def crash(part: Part) -> Iterator[Any]:
        raise ZeroDivisionError("oh dear")

    monkeypatch.setattr(open_edge, "function", crash)
    put(shelf / "a.stl", (10, 10, 20))
    code, report = said(capsys, "a.stl", "--units", "mm")
    assert code == 2
    outcomes = {r["number"]: r["outcome"] for r in report["parts"][0]["rules"]}
    assert outcomes[4] == "broke"
    assert outcomes[9] == "found"
    code, report = said(capsys, "a.stl", "--units", "mm", "--rule", "9")
    assert code == 2, "a rule that had to come first broke, and that is never hidden"


def test_a_crash_of_the_reader_is_ours_and_the_other_parts_are_judged(
    two_rules: None, shelf: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    real = command.read_part

    def read(path: Path, facts: Any) -> Any:
        if path.name == "a.stl":
            raise KeyError("oh dear")
        return real(path, facts)

    monkeypatch.setattr(command, "read_part", read)
    put(shelf / "a.stl")
    put(shelf / "b.stl")
    code, report = said(capsys, ".")
    assert code == 2
    assert report["parts"][0]["unreadable"] == "a.stl: not run: this is a bug of buckwright: KeyError: 'oh dear'"
    assert report["parts"][1]["unreadable"] is None


# From here on in processes of its own, as a shell runs it.


def run(*words: str | Path, cwd: Path, **more: Any) -> subprocess.CompletedProcess[str]:
    env = {**os.environ, "PYTHONPATH": str(ROOT), **more.pop("env", {})}
    line = [sys.executable, "-m", "lint.cli", *map(str, words)]
    return subprocess.run(line, cwd=cwd, env=env, capture_output=True, text=True, timeout=120, **more)


def test_several_processes_say_what_one_says_in_the_same_order(shelf: Path) -> None:
    for k in range(5):
        put(shelf / f"part-{4 - k}.stl", (10 + k, 10, 10 + 7 * k))

    def plain(jobs: str) -> Any:
        done = run("lint", ".", "--as", "json", "--units", "mm", "--jobs", jobs, cwd=shelf)
        report = json.loads(done.stdout)
        for part in report["parts"]:
            part.pop("seconds")
            part.pop("measured_seconds")
            for rule in part["rules"]:
                rule.pop("seconds")
        return done.returncode, report

    assert plain("1") == plain("3")
    assert [p["path"] for p in plain("3")[1]["parts"]] == [f"part-{k}.stl" for k in range(5)]


DYING = """
import os, sys
from lint.commands import judging as command
real = command.read_part
def read(path, facts):
    if path.name.startswith("deadly"):
        os._exit(9)
    return real(path, facts)
command.read_part = read
if __name__ == "__main__":
    from lint.cli import main
    sys.exit(main(["lint", ".", "--as", "json", "--jobs", "2"]))
"""


def test_a_process_that_dies_costs_one_part(shelf: Path) -> None:
    for k in range(8):
        put(shelf / f"part-{k}.stl")
    put(shelf / "deadly.stl", (30, 30, 30))
    put(shelf / "deadly-too.stl")
    (shelf / "run.py").write_text(DYING)
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "run.py"], cwd=shelf, env=env, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    bad = {p["path"]: p["unreadable"] for p in json.loads(done.stdout)["parts"] if p["unreadable"]}
    assert set(bad) == {"deadly.stl", "deadly-too.stl"}
    assert "not run: the process that examined it ended" in bad["deadly.stl"]


def test_a_reader_that_has_read_enough_is_no_crash(shelf: Path) -> None:
    for k in range(3):
        put(shelf / f"part-{k}.stl")
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    line = f'"{sys.executable}" -m lint.cli lint . --as json --jobs 1 | head -c 10'
    done = subprocess.run(line, shell=True, cwd=shelf, env=env, capture_output=True, text=True, timeout=120)
    assert done.stdout == '{\n "format'
    assert done.stderr == ""


WAITING = """
import sys, time
from pathlib import Path
from lint.commands import judging as command
def read(path, facts):
    Path("begun").touch()
    time.sleep(60)
command.read_part = read
if __name__ == "__main__":
    from lint.cli import main
    sys.exit(main(["lint", ".", "--jobs", sys.argv[1]]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="signals of the other kind")
@pytest.mark.parametrize("jobs", ["1", "2"])
def test_ctrl_c_is_heard_and_leaves_nobody_working(shelf: Path, jobs: str) -> None:
    put(shelf / "a.stl")
    put(shelf / "b.stl")
    (shelf / "run.py").write_text(WAITING)
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    pipe = subprocess.PIPE
    child = subprocess.Popen([sys.executable, "run.py", jobs], cwd=shelf, env=env, stdout=pipe, stderr=pipe, text=True)
    until = time.monotonic() + 60
    while not (shelf / "begun").exists() and time.monotonic() < until:
        time.sleep(0.05)
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=30)  # ends only when every process that holds the pipe has ended
    assert child.returncode == -signal.SIGINT
    assert "stopped" in err
    assert "Traceback" not in err
    assert out == ""


def test_a_crash_of_the_command_itself_is_one_line_with_a_trace_on_wish(shelf: Path) -> None:
    put(shelf / "a.stl")
    broken = "import sys\nfrom lint.commands import lint\nlint.find_parts = lambda paths: 1 / 0\nfrom lint.cli import main\n"
    (shelf / "run.py").write_text(broken + "sys.exit(main(['lint', 'a.stl']))\n")

    def crash(**more: str) -> subprocess.CompletedProcess[str]:
        env = {**os.environ, "PYTHONPATH": str(ROOT), **more}
        return subprocess.run([sys.executable, "run.py"], cwd=shelf, env=env, capture_output=True, text=True, timeout=60)

    quiet = crash()
    assert quiet.returncode == 2
    assert quiet.stderr.startswith("buckwright: this is a bug of buckwright: ZeroDivisionError")
    assert quiet.stderr.count("\n") == 1
    assert "Traceback" in crash(BUCKWRIGHT_TRACE="1").stderr


STUCK = """
import re, sys
from lint.commands import judging as command
real = command.read_part
def read(path, facts):
    if path.name.startswith("stuck"):
        re.fullmatch("(a+)+", "a" * 64 + "b")  # in native code, where no signal is heard, for longer than anybody lives
    return real(path, facts)
command.read_part = read
if __name__ == "__main__":
    from lint.cli import main
    sys.exit(main(["lint", ".", "--as", "json", "--jobs", sys.argv[1], "--rule", "1", "--deadline", "6"]))
"""


@pytest.mark.parametrize("jobs", ["1", "2"])
def test_a_part_that_does_not_end_costs_one_part(shelf: Path, jobs: str) -> None:
    for k in range(3):
        put(shelf / f"part-{k}.stl")
    put(shelf / "stuck.stl", (30, 30, 30))
    (shelf / "run.py").write_text(STUCK)
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    done = subprocess.run([sys.executable, "run.py", jobs], cwd=shelf, env=env, capture_output=True, text=True, timeout=120)
    assert done.returncode == 2, done.stderr
    bad = {p["path"]: p["unreadable"] for p in json.loads(done.stdout)["parts"] if p["unreadable"]}
    assert set(bad) == {"stuck.stl"}
    assert "not run: it took over 6 s" in bad["stuck.stl"]


def heavy(count: int) -> bytes:
    """A binary STL of so many faces, all of them in one spot."""
    return b"\0" * 80 + struct.pack("<I", count) + b"\0" * 50 * count


def test_a_deadline_holds_for_a_single_part_too(shelf: Path) -> None:
    (shelf / "heron.stl").write_bytes(heavy(1_000_000))
    done = run("lint", "heron.stl", "--deadline", "0.05", "--units", "mm", cwd=shelf)
    assert done.returncode == 2
    assert "it took over 0.05 s" in " ".join(done.stdout.split())


@pytest.mark.skipif(not Path("/proc/self/statm").exists(), reason="memory is capped only where the system tells how much is taken")
def test_a_part_that_takes_too_much_memory_is_told_so_and_the_others_are_judged(shelf: Path) -> None:
    (shelf / "a-heron.stl").write_bytes(heavy(3_000_000))
    put(shelf / "b.stl")
    done = run("lint", ".", "--as", "json", "--jobs", "1", "--rule", "1", "--memory", "0.2", "--units", "mm", cwd=shelf)
    assert done.returncode == 2, done.stderr
    heron, small = json.loads(done.stdout)["parts"]
    assert "memory" in heron["unreadable"]
    assert small["unreadable"] is None
