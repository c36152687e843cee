"""Kills runs of buckwright at random moments and looks at what they left: every file old or new, and whole; nothing told is lost.

`python -m tests.kills --count 300` prints counts a scene. Each run is a process of its own that does one thing over and over,
without a pause, until it is killed without warning (SIGKILL); then the files are judged and a later run must succeed.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import os
import random
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from corpus import solids
from lint.cli import main as buckwright
from lint.commands import fix as fix_command
from lint.commands.shelves import find_parts
from lint.load import read
from lint.load.ticket import add_accepted, read_ledger, read_ticket
from lint.ticket import Accepted
from tests import kills_store as store
from tests import samples

REASON = "the tin king is meant to be so"
AGED = 7200.0  # s; leftovers are made to look this old, so that a later run may take them for dead


@dataclass
class Tally:
    """What came of the kills of one scene."""

    kills: int = 0
    rounds: int = 0
    half_written: int = 0
    between_files: int = 0
    locks_left: int = 0
    failures: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Scene:
    """prepare a folder; do a thing over and over, telling each time it is done; judge what is there; run once more.

    judge: given the folder and how many times each worker told that it was done; a list of what is wrong. longest: seconds of
    working after which a run is killed at the latest, once it has told `warm` times.
    """

    prepare: Callable[[Path], None]
    work: Callable[[Path, int, Callable[[], None]], None]
    judge: Callable[[Path, list[int]], list[str]]
    again: Callable[[Path], None]
    longest: float
    workers: int = 1
    warm: int = 1


def quietly(*words: str | Path) -> int:
    """One command as it is typed, without its words."""
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        return buckwright([str(w) for w in words])


def expect(code: int, *wanted: int) -> None:
    """End this process in failure when a command did not end as it should."""
    if code not in wanted:
        raise RuntimeError(f"exit code {code}, not {wanted}")


# fix: two scans in turn to one output, so that old and new can be told apart.

SIZES = ((20.0, 30.0, 40.0), (25.0, 35.0, 45.0))


def _two_scans(folder: Path) -> None:
    (folder / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n', encoding="utf-8")
    for k, size in enumerate(SIZES):
        vertices, faces = solids.box(size, (0, 0, 5), step=5)
        faces = [*faces.tolist(), *faces[:9].tolist()]  # put in twice: tidy; above the bed: settle
        (folder / f"scan {k}.stl").write_bytes(samples.binary_stl(vertices, faces))


def _fix(folder: Path, k: int) -> int:
    return quietly("fix", folder / f"scan {k % 2}.stl", "--to", folder / "out.3mf", "--allow", "record")


def _fix_over_and_over(folder: Path, _: int, told: Callable[[], None]) -> None:
    for k in range(1_000_000):
        expect(_fix(folder, k), 0, 1)
        told()


def _write_over_and_over(folder: Path, worker: int, told: Callable[[], None]) -> None:
    """As `fix`, with the mending itself remembered, so that nearly all of the time goes into writing."""
    known: dict[str, Any] = {}
    mend = fix_command.mend

    def remembered(part: Any, *more: Any, **named: Any) -> Any:
        if part.source.sha256 not in known:
            known[part.source.sha256] = mend(part, *more, **named)
        return known[part.source.sha256]

    fix_command.mend = remembered  # type: ignore[assignment]
    _fix_over_and_over(folder, worker, told)


def _judge_fix(folder: Path, told: list[int]) -> list[str]:
    faults = []
    for k, size in enumerate(SIZES):
        if not _holds(folder / f"scan {k}.stl", size):
            faults.append(f"scan {k} was touched")
    out, ticket = folder / "out.3mf", folder / "out.3mf.ticket.toml"
    if out.exists() and not any(_holds(out, size) for size in SIZES):
        faults.append("the part is neither the old nor the new one")
    if ticket.exists():
        read_ticket(ticket)
    if told[0] and not (out.exists() and ticket.exists() and (folder / "out.3mf.record.json").exists()):
        faults.append("a part that was told as written is not there")
    return faults


def _holds(path: Path, size: tuple[float, float, float]) -> bool:
    part = read(path)
    reach = part.vertices.max(axis=0) - part.vertices.min(axis=0)
    return bool((abs(reach - size) < 1e-3).all()) and len(part.faces) in (len(solids.box(size, step=5)[1]) + n for n in (0, 9))


def _fix_again(folder: Path) -> None:
    expect(_fix(folder, 1), 0, 1)
    assert _holds(folder / "out.3mf", SIZES[1])


# accept: several runs at once write into one ledger.


def _torn_part(folder: Path) -> None:
    (folder / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n', encoding="utf-8")
    vertices, faces = solids.box((20, 30, 40), step=10)
    (folder / "torn.stl").write_bytes(samples.binary_stl(vertices, faces[1:]))


def _accept_over_and_over(folder: Path, worker: int, told: Callable[[], None]) -> None:
    for k in range(1_000_000):
        add_accepted(folder / "ledger.toml", [Accepted("torn.stl", 30, f"{worker} {k}", REASON)])
        told()


def _judge_ledger(folder: Path, told: list[int]) -> list[str]:
    have = {e.case for e in read_ledger(folder / "ledger.toml").accepted}
    # One more than was told may be there: it was written, and its writer killed before it could say so.
    return [
        f"of {count} entries told by run {worker} the ledger holds {sum(c.startswith(f'{worker} ') for c in have)}"
        for worker, count in enumerate(told)
        if not {f"{worker} {k}" for k in range(count)} <= have
        or sum(c.startswith(f"{worker} ") for c in have) > count + 1
    ]


def _accept_again(folder: Path) -> None:
    before = len(read_ledger(folder / "ledger.toml").accepted)
    expect(quietly("accept", folder / "torn.stl", "--rule", "4", "--because", REASON, "--jobs", "1"), 0)
    after = read_ledger(folder / "ledger.toml").accepted
    assert len(after) == before + 1
    assert after[-1].rule == 4


# size: lengths added to one ticket.


def _size(folder: Path, name: str) -> int:
    return quietly("size", folder / "torn.stl", "--from", "0,0,0", "--to-point", "20,0,0", "--true", "20", "--name", name)


def _size_over_and_over(folder: Path, _: int, told: Callable[[], None]) -> None:
    for k in range(1_000_000):
        expect(_size(folder, str(k)), 0)
        told()


def _judge_lengths(folder: Path, told: list[int]) -> list[str]:
    ticket = folder / "torn.stl.ticket.toml"
    have = [m.name for m in read_ticket(ticket).length] if ticket.exists() else []
    wanted = [str(k) for k in range(told[0])]
    return [] if have in (wanted, [*wanted, str(told[0])]) else [f"{told[0]} lengths were told, and the ticket holds {len(have)}"]


def _size_again(folder: Path) -> None:
    expect(_size(folder, "again"), 0)
    assert [m.name for m in read_ticket(folder / "torn.stl.ticket.toml").length][-1] == "again"


# ticket: new forms, one after the other.


def _forms_over_and_over(folder: Path, _: int, told: Callable[[], None]) -> None:
    for k in range(1_000_000):
        expect(quietly("ticket", folder / "torn.stl", "--to", folder / f"form {k}.ticket.toml"), 0)
        told()


def _judge_forms(folder: Path, told: list[int]) -> list[str]:
    forms = list(folder.glob("form *"))
    whole = {f.read_bytes() for f in forms}
    for form in forms:
        read_ticket(form)
    faults = ["a form is not whole"] if len(whole) > 1 else []
    return faults + ([] if len(forms) in (told[0], told[0] + 1) else [f"{told[0]} forms were told, and there are {len(forms)}"])


def _form_again(folder: Path) -> None:
    expect(quietly("ticket", folder / "torn.stl", "--to", folder / "form again.ticket.toml"), 0)


SCENES = {
    "fix": Scene(_two_scans, _fix_over_and_over, _judge_fix, _fix_again, 3.0),
    "fix, writing": Scene(_two_scans, _write_over_and_over, _judge_fix, _fix_again, 0.3, warm=2),
    "accept, two at once": Scene(_torn_part, _accept_over_and_over, _judge_ledger, _accept_again, 0.4, workers=2),
    "size": Scene(_torn_part, _size_over_and_over, _judge_lengths, _size_again, 0.4),
    "store, two at once": Scene(store.small_shelf, store.keep_over_and_over, store.judge, store.keep_again, 0.4, workers=2),
    "ticket": Scene(_torn_part, _forms_over_and_over, _judge_forms, _form_again, 0.2),
}


class Worker:
    """A process of its own, forked so that it begins at once, that tells through a pipe each time it is done."""

    def __init__(self, work: Callable[[Callable[[], None]], None]) -> None:
        self._told, tell = os.pipe()
        self.pid = os.fork()
        if self.pid == 0:
            code = 1
            try:
                os.close(self._told)
                work(lambda: os.write(tell, b".") and None)
                code = 0
            except BaseException as error:
                os.write(2, f"{type(error).__name__}: {error}\n".encode())
            finally:
                os._exit(code)
        os.close(tell)

    def begun(self, warm: int) -> None:
        """Wait until it has told so many times, or has ended."""
        self._first = 0
        while self._first < warm and (said := os.read(self._told, 1)):
            self._first += len(said)

    def kill(self) -> int:
        """Kill it, and say how many times it had told. Raises RuntimeError when it had ended by itself."""
        os.kill(self.pid, signal.SIGKILL)
        count = self._first
        while said := os.read(self._told, 65536):
            count += len(said)
        os.close(self._told)
        _, status = os.waitpid(self.pid, 0)
        if not os.WIFSIGNALED(status):
            raise RuntimeError("it ended by itself")
        return count

    def wait(self) -> bool:
        """Wait for its end; whether it ended well."""
        os.close(self._told)
        return os.waitpid(self.pid, 0)[1] == 0


def one(scene: Scene, folder: Path, dice: random.Random, tally: Tally) -> None:
    """Begin, kill, judge, and run once more."""
    scene.prepare(folder)
    parts = find_parts([folder])
    workers = [Worker(lambda told, n=n: scene.work(folder, n, told)) for n in range(scene.workers)]
    for worker in workers:
        worker.begun(scene.warm)
    told = []
    for worker in workers:
        time.sleep(dice.uniform(0.0, scene.longest / len(workers)))
        told.append(worker.kill())
    tally.kills += len(workers)
    tally.rounds += sum(told)
    left = [*folder.glob(".buckwright-*"), *folder.rglob(".writing-*")]
    tally.half_written += len(left)
    tally.locks_left += len(list(folder.glob(".*.lock")))
    faults = scene.judge(folder, told)
    if set(find_parts([folder])) - {folder / "out.3mf"} != set(parts):
        faults.append("something that was left is taken for a part")
    tally.between_files += _between(folder)
    for old in [*left, *folder.rglob(".looked")]:  # as if the later run came when they are that old: the store is gone through by the hour
        os.utime(old, (time.time() - AGED, time.time() - AGED))
    if not Worker(lambda told: scene.again(folder)).wait():
        faults.append("a later run failed")
    faults += [f"{p.name} stays for ever" for p in folder.iterdir() if p.name.startswith(".")]
    faults += [f"{p.name} stays for ever" for p in folder.rglob(".writing-*")]
    tally.failures += [f"{folder.name}: {fault}" for fault in faults]


def _between(folder: Path) -> bool:
    """Whether a fix was killed after its record and before its part."""
    out, record = folder / "out.3mf", folder / "out.3mf.record.json"
    if not record.exists():
        return False
    return not out.exists() or json.loads(record.read_bytes())["output"]["sha256"] != read(out).source.sha256


def warm_up() -> None:
    """Import what the runs will need, so that they begin at once; nothing is computed before the fork."""
    import igl
    import manifold3d
    import scipy.ndimage
    import scipy.sparse.csgraph
    import scipy.spatial

    from lint import measure
    from lint.rooms import all_fixes, all_rules

    assert igl
    assert manifold3d
    assert scipy
    with contextlib.suppress(ImportError):
        import embreex.mesh_construction
        import embreex.rtcore_scene

        assert embreex
    assert measure.known()
    assert all_rules()
    assert all_fixes()


def run(name: str, count: int, seed: int, folder: Path) -> Tally:
    """Kill one scene's runs until `count` have been killed."""
    warm_up()
    tally = Tally()
    number = 0
    while tally.kills < count:
        here = folder / f"{name} {seed} {number}"
        here.mkdir()
        try:
            one(SCENES[name], here, random.Random(f"{name} {seed} {number}"), tally)
        except Exception as error:
            tally.failures.append(f"{here.name}: {type(error).__name__}: {error}")
            tally.kills += 1
        number += 1
    return tally


def main() -> int:
    """Kill runs of every scene; 0 when nothing was lost."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=300, help="kills over all scenes")
    options.add_argument("--seed", type=int, default=0)
    said = options.parse_args()
    os.environ[store.WORD] = "off"
    failures = 0
    for name in SCENES:
        with tempfile.TemporaryDirectory() as folder:
            tally = run(name, -(-said.count // len(SCENES)), said.seed, Path(folder))
        failures += len(tally.failures)
        print(
            f"{name:20} {tally.kills} kills after {tally.rounds} rounds; {tally.half_written} left a file half written, "
            f"{tally.between_files} came between two files, {tally.locks_left} left a lock; {len(tally.failures)} failed",
            flush=True,
        )
        for failure in tally.failures[:5]:
            print(f"    {failure}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
