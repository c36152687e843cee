"""A file is written whole or not at all, never over what was read, and two runs at once take turns."""

from __future__ import annotations

import errno
import os
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from lint.save.atomic import locked, swap_in
from lint.terms import BadInput


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_new_and_old(tmp_path: Path) -> None:
    swap_in(tmp_path / "a.stl", b"new")
    swap_in(tmp_path / "a.stl", b"newer")
    assert (tmp_path / "a.stl").read_bytes() == b"newer"
    assert names(tmp_path) == ["a.stl"]


def test_a_new_file_has_the_usual_mode_and_an_old_one_keeps_its(tmp_path: Path) -> None:
    (tmp_path / "usual").write_bytes(b"")
    swap_in(tmp_path / "new", b"x")
    assert (tmp_path / "new").stat().st_mode == (tmp_path / "usual").stat().st_mode
    (tmp_path / "new").chmod(0o640)
    swap_in(tmp_path / "new", b"y")
    assert (tmp_path / "new").stat().st_mode & 0o777 == 0o640


def test_a_link_is_followed_and_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "shelf").mkdir()
    (tmp_path / "shelf" / "real.stl").write_bytes(b"old")
    (tmp_path / "link.stl").symlink_to("shelf/real.stl")
    (tmp_path / "waiting.stl").symlink_to("shelf/not-yet.stl")
    swap_in(tmp_path / "link.stl", b"new")
    swap_in(tmp_path / "waiting.stl", b"new")
    assert (tmp_path / "link.stl").is_symlink()
    assert (tmp_path / "shelf" / "real.stl").read_bytes() == b"new"
    assert (tmp_path / "shelf" / "not-yet.stl").read_bytes() == b"new"


def test_what_was_read_is_never_written_over(tmp_path: Path) -> None:
    source = tmp_path / "scan.stl"
    source.write_bytes(b"the scan")
    (tmp_path / "link.stl").symlink_to(source)
    os.link(source, tmp_path / "hard.stl")
    (tmp_path / "sub").mkdir()
    for name in ("scan.stl", "link.stl", "hard.stl", "sub/../scan.stl"):
        with pytest.raises(BadInput, match="the very file that was read"):
            swap_in(tmp_path / name, b"x", inputs=[tmp_path / "gone.stl", source])
    assert source.read_bytes() == b"the scan"
    swap_in(source, b"asked", inputs=[source], over_inputs=True)
    assert source.read_bytes() == b"asked"


def test_places_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_bytes(b"")
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "round").symlink_to("round")
    for name, words in {
        "folder": "it is a folder",
        "pipe": "pipe or a device",
        "absent/a.stl": "no such folder; make it first",
        "file/a.stl": "is a file; check the name",
        "round": "circle",
        "l" * 300: "too long",
        "a\0b": "null",
    }.items():
        with pytest.raises(BadInput, match=words) as caught:
            swap_in(tmp_path / name, b"x")
        assert "\n" not in str(caught.value)
        assert "was not written" in str(caught.value)
    assert names(tmp_path) == ["file", "folder", "pipe", "round"]


@pytest.mark.parametrize(
    ("call", "error", "words"),
    [
        ("fsync", errno.ENOSPC, "disk is full"),
        ("replace", errno.EROFS, "only be read"),
        ("replace", errno.EACCES, "may not be written"),
        ("fsync", errno.EIO, "nput/output"),
    ],
)
def test_a_failure_on_the_way_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, error: int, words: str
) -> None:
    (tmp_path / "a.stl").write_bytes(b"old")

    def fail(*_: Any, **__: Any) -> None:
        raise OSError(error, os.strerror(error))

    monkeypatch.setattr(f"lint.save.atomic.os.{call}", fail)
    with pytest.raises(BadInput, match=words):
        swap_in(tmp_path / "a.stl", b"new")
    monkeypatch.undo()
    assert (tmp_path / "a.stl").read_bytes() == b"old"
    assert names(tmp_path) == ["a.stl"]


def test_a_break_on_the_way_cleans_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(*_: Any) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("lint.save.atomic.os.replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        swap_in(tmp_path / "a.stl", b"new")
    assert names(tmp_path) == []


def python(code: str, *arguments: object) -> subprocess.Popen[str]:
    command = [sys.executable, "-c", code, *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=Path(__file__).parents[1])


def test_a_real_limit_of_the_system_is_told(tmp_path: Path) -> None:
    code = (
        "import resource, sys; from pathlib import Path; from lint.save.atomic import swap_in; from lint.terms import BadInput\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))\n"
        "try: swap_in(Path(sys.argv[1]), b'x' * 5000)\nexcept BadInput as reason: print(reason)"
    )
    (tmp_path / "a.stl").write_bytes(b"old")
    with python(code, tmp_path / "a.stl") as run:
        said, _ = run.communicate(timeout=60)
    assert "larger than is allowed" in said
    assert (tmp_path / "a.stl").read_bytes() == b"old"
    assert names(tmp_path) == ["a.stl"]


def test_two_runs_at_once_lose_no_entry(tmp_path: Path) -> None:
    code = (
        "import sys; from pathlib import Path; from lint.load.ticket import add_accepted; from lint.ticket import Accepted\n"
        "for k in range(12): add_accepted(Path(sys.argv[1]), [Accepted(part='a.stl', rule=30, case=sys.argv[2] + str(k), because='so')])"
    )
    runs = [python(code, tmp_path / "ledger.toml", name) for name in "abc"]
    for run in runs:
        run.communicate(timeout=120)
        assert run.returncode == 0
    from lint.load.ticket import read_ledger

    cases = {e.case for e in read_ledger(tmp_path / "ledger.toml").accepted}
    assert cases == {f"{name}{k}" for name in "abc" for k in range(12)}
    assert names(tmp_path) == ["ledger.toml"]


def test_a_lock_that_is_held_is_told_and_one_that_is_left_behind_is_not_in_the_way(tmp_path: Path) -> None:
    (tmp_path / ".a.toml.lock").write_bytes(b"")  # a run died here
    with locked(tmp_path / "a.toml", patience=5):
        began = time.monotonic()
        with pytest.raises(BadInput, match="another run has held it"), locked(tmp_path / "a.toml", patience=0.1):
            pass
        assert time.monotonic() - began < 5
    assert names(tmp_path) == []
    with pytest.raises(BadInput, match="no such folder"), locked(tmp_path / "absent" / "a.toml"):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="files are not locked there, so nothing is taken away")
def test_what_a_killed_run_left_is_taken_away_and_what_a_living_one_writes_is_not(tmp_path: Path) -> None:
    import fcntl

    for name in (".buckwright-dead.tmp", ".buckwright-living.tmp", ".buckwright-young.tmp"):
        (tmp_path / name).write_bytes(b"half")
    for name in (".buckwright-dead.tmp", ".buckwright-living.tmp"):
        os.utime(tmp_path / name, (time.time() - 120, time.time() - 120))
    os.mkfifo(tmp_path / ".buckwright-pipe.tmp")
    with (tmp_path / ".buckwright-living.tmp").open("rb") as living:
        fcntl.flock(living, fcntl.LOCK_EX)
        swap_in(tmp_path / "a.stl", b"new")
    assert names(tmp_path) == [".buckwright-living.tmp", ".buckwright-pipe.tmp", ".buckwright-young.tmp", "a.stl"]
