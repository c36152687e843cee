"""Parts examined on a real scheduler with two workers on the loopback: the same verdicts, whatever happens to a worker."""

from __future__ import annotations

import importlib.util
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from corpus import solids
from lint.cli import main
from lint.commands import cluster, looking
from lint.commands.keys import machine
from lint.commands.looking import look
from lint.commands.running import How, Run, Task
from lint.commands.shelves import Facts
from lint.save import write_part
from lint.terms import BadInput, Part, PartReport, Source

ROOT = Path(__file__).resolve().parents[1]

pytestmark = pytest.mark.skipif(importlib.util.find_spec("distributed") is None, reason="the extra `cluster` is not installed")

RULES = frozenset({1, 4, 34, 56, 72, 74})


def begun(*words: str, folder: Path) -> subprocess.Popen[bytes]:
    env = {**os.environ, "PYTHONPATH": str(ROOT), "DASK_DISTRIBUTED__DASHBOARD__LINK": "", "BUCKWRIGHT_STORE": "off"}
    line = [sys.executable, "-W", "ignore", "-m", *words]
    return subprocess.Popen(line, cwd=folder, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    folder = tmp_path_factory.mktemp("scheduler")
    words = ("--host", "127.0.0.1", "--port", str(port), "--no-dashboard", "--no-show")
    process = begun("distributed.cli.dask_scheduler", *words, folder=folder)
    try:
        yield f"tcp://127.0.0.1:{port}"
    finally:
        process.kill()
        process.wait()


@pytest.fixture(scope="module")
def workers(scheduler: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[list[subprocess.Popen[bytes]]]:
    """Two workers of one part at a time, which stand in a folder of their own; a test may kill the first."""
    folder = tmp_path_factory.mktemp("where the workers stand")
    words = ("distributed.cli.dask_worker", scheduler, "--nthreads", "1", "--no-nanny", "--no-dashboard", "--local-directory", str(folder))
    processes = [begun(*words, folder=folder) for _ in range(2)]
    try:
        yield processes
    finally:
        for process in processes:
            process.kill()
            process.wait()


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[Path]:
    """Copies, a pair, a scan with its data beside it, tickets good and bad, and a file that is no part; named as one would type them."""
    folder = tmp_path / "shelf"
    folder.mkdir()
    monkeypatch.chdir(folder)
    (folder / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n')
    paths = [put(Path(f"{n:02}.stl"), (20, 30, 40 + n // 2), (n, 0, 0)) for n in range(8)]
    (folder / "00.stl.ticket.toml").write_text('[part]\nbody = "ear"\nside = "left"\npair = "02.stl"\n')
    (folder / "03.stl.ticket.toml").write_text("[part]\nlength = 3\n")
    paths.append(put(Path("skin.obj"), (9, 9, 9)))
    (folder / "skin.obj").write_text("mtllib skin.mtl\n" + (folder / "skin.obj").read_text())
    (folder / "skin.mtl").write_text("newmtl skin\nmap_Kd tin-king.jpg\n")
    Path("torn.stl").write_bytes(b"solid")
    return [*paths, Path("torn.stl")]


def put(path: Path, size: tuple[float, float, float], at: tuple[float, float, float] = (0, 0, 0)) -> Path:
    vertices, faces = solids.box(size, at, step=10)
    write_part(Part(vertices.copy(), faces.copy(), Source(path, path.suffix[1:], "", 0), units="mm"), path)
    return path


def plain(reports: list[PartReport]) -> list[Any]:
    """Everything a report says but the times."""
    return [
        (r.path, r.unreadable, r.findings, [(x.number, x.outcome, x.why, x.limits) for x in r.rules], r.low, r.extents, r.notes, r.settings,
         r.part and (r.part.source, r.part.ticket, r.part.ticket_path, r.part.units, r.part.units_from))
        for r in reports
    ]  # fmt: skip


def on_the_pool(paths: list[Path]) -> list[Any]:
    return plain(look(paths, run_of(paths), How(jobs=1, fresh=True)))


def run_of(paths: list[Path]) -> Run:
    return Run(Facts(), RULES, tuple(paths))


def test_a_worker_killed_midway_changes_nothing(
    scheduler: str, workers: list[subprocess.Popen[bytes]], shelf: list[Path], monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    wanted = on_the_pool(shelf)
    assert sum(f.rule == 72 for part in wanted for f in part[2]) >= 6
    assert [part[1] is None for part in wanted].count(False) == 2
    assert any("tin-king.jpg" in f.message for part in wanted for f in part[2])
    monkeypatch.setenv("BUCKWRIGHT_STORE", str(tmp_path / "store"))
    real, heard = cluster.Cluster.spread, []

    def spread(self: Any, what: str, *rest: Any, ended: Any, **more: Any) -> Any:
        wait_for(self, 2)

        def told(count: int, task: Task, found: Any) -> None:
            heard.append(task)
            if what == "judge" and count == 2:
                workers[0].send_signal(signal.SIGKILL)
                workers[0].wait()
            ended(count, task, found)

        found = real(self, what, *rest, ended=told, **more)
        assert what == "measure" or len(self._client.nthreads()) == 1, "one worker is gone"
        return found

    def wait_for(self: Any, count: int) -> None:
        until = time.monotonic() + 60
        while what_is_there(self) < count and time.monotonic() < until:
            time.sleep(0.1)

    def what_is_there(self: Any) -> int:
        return len(self._client.nthreads())

    monkeypatch.setattr(cluster.Cluster, "spread", spread)
    assert plain(look(shelf, run_of(shelf), How(scheduler=scheduler))) == wanted
    assert len(heard) == 2 * len(shelf)
    monkeypatch.setattr(looking, "_elsewhere", lambda *_: pytest.fail("what a cluster found out is kept here, and needs it no more"))
    readable = [path for path, part in zip(shelf, wanted, strict=True) if part[1] is None]
    again = look(readable, run_of(readable), How(scheduler=scheduler))
    assert all(r.stored for r in again)


def test_a_worker_that_does_not_see_the_files_is_sent_them(
    scheduler: str, workers: list[subprocess.Popen[bytes]], shelf: list[Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    sent = []
    order, lend = cluster._Parcels.order, cluster._Parcels.bytes_of

    def elsewhere(self: Any, *words: Any, **more: Any) -> Any:
        made = order(self, *words, **more)
        files = tuple(cluster.replace(f, lies=f"/nowhere{f.lies}") for f in made.files) if made else ()
        return made and cluster.replace(made, files=files)

    def lent(self: Any, made: Any, wanted: Any) -> Any:
        files = tuple(cluster.replace(f, lies=f.lies.removeprefix("/nowhere")) for f in made.files)
        sent.append(lend(self, cluster.replace(made, files=files), wanted))
        return sent[-1]

    monkeypatch.setattr(cluster._Parcels, "order", elsewhere)
    monkeypatch.setattr(cluster._Parcels, "bytes_of", lent)
    assert plain(look(shelf, run_of(shelf), How(scheduler=scheduler))) == on_the_pool(shelf)
    assert sum(len(files) for files in sent) > len(shelf)


def test_what_a_worker_does(shelf: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    """The worker's side in this process: by name and digest, by bytes, from a file that has changed, with another program, too slowly."""
    run = run_of(shelf)
    parcels = cluster._Parcels(run)
    order = parcels.order("judge", Task(shelf[0]), 60.0, lend=False)
    assert order is not None
    assert not order.lent
    by_name = cluster._work(order, run)
    assert by_name.key == parcels._run.keys().of_path(shelf[0], Path("00.stl.ticket.toml"), {})
    whole = parcels.order("judge", Task(shelf[0]), 60.0, lend=True)
    assert whole is not None
    assert len(whole.lent) == 4  # part, ticket, shop file, pair
    put(shelf[0], (1, 2, 3))
    assert cluster._work(order, run) == cluster.Wanted(frozenset({order.files[0].told}))
    assert cluster._work(whole, run).report.findings == by_name.report.findings
    assert parcels.bytes_of(order, frozenset({order.files[0].told})) == {}, "what has changed is not sent for what it was"
    assert cluster._work(cluster.replace(whole, machine="another"), run) == cluster.Stranger()
    assert cluster._work(cluster.replace(whole, deadline=0.0), run) == cluster.Late()
    monkeypatch.setattr(cluster, "_done", lambda *_: 1 / 0)
    assert cluster._work(whole, run) == cluster.Crashed("ZeroDivisionError: division by zero")
    assert machine() == order.machine


def test_words_that_do_not_go_together_and_a_scheduler_that_is_not_there(shelf: list[Path], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["lint", "00.stl", "--scheduler", "tcp://127.0.0.1:1", "--jobs", "2"]) == 2
    assert "--jobs and --memory are for this machine" in capsys.readouterr().err
    with pytest.raises(BadInput, match="it cannot be reached"), cluster.Cluster("no such thing"):
        pass
