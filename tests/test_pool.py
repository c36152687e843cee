"""Many parts at a time: never more than there is memory for, whatever dies, in a stable order."""

from __future__ import annotations

import os
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from lint.commands import room
from lint.commands.pool import Pool
from lint.commands.warm import warm
from lint.terms import Outcome

_PREPARED: list[str] = []


def _begin() -> None:
    _PREPARED.append("begun")


def _work(item: tuple[int, float] | str) -> tuple[int, float, float, str, int] | None:
    """The number of the item, when it was begun and ended, how the process was prepared, and which process it was."""
    if isinstance(item, str):
        _PREPARED.append(item)
        return None
    number, seconds = item
    began = time.monotonic()
    time.sleep(seconds)
    if number < 0:
        os._exit(1)
    return number, began, time.monotonic(), " ".join(_PREPARED), os.getpid()


def test_no_more_are_in_flight_than_there_is_room_for() -> None:
    items = [(k, 0.03) for k in range(12)]
    weights = [50, 60, 30, 30, 20, 20, 20, 10, 10, 10, 150, 10]
    seen: list[tuple[int, int, int]] = []
    with Pool(_work, _begin) as pool:
        found = pool.spread(
            items, 3, died=lambda item: pytest.fail("died"), first="told", weigh=lambda item: weights[item[0]], room=100,
            ended=lambda count, item, result: seen.append((count, item[0], result[0])),
        )  # fmt: skip
    assert [f[0] for f in found] == list(range(12))
    assert [count for count, _, _ in seen] == list(range(1, 13))
    assert all(item == result for _, item, result in seen)
    assert {f[3] for f in found} == {"begun told"}
    assert len({f[4] for f in found}) <= 3, "the processes stay"
    for began in (f[1] for f in found):
        at_once = [weights[f[0]] for f in found if f[1] <= began < f[2]]
        assert sum(at_once) <= 100 or len(at_once) == 1
    assert min(found, key=lambda f: f[1])[0] == 10, "the largest goes first, and alone, as it is too much with any other"


def test_one_that_dies_costs_itself_only_and_gives_back_its_room() -> None:
    items = [(k if k != 3 else -3, 0.0) for k in range(6)]
    with Pool(_work, _begin) as pool:
        found = pool.spread(items, 2, died=lambda item: (item[0], 0.0, 0.0, "died", 0), weigh=lambda item: 60, room=100)
    assert [f[0] for f in found] == [0, 1, 2, -3, 4, 5]
    assert [f[3] == "died" for f in found] == [False, False, False, True, False, False]


def test_what_is_found_out_meanwhile_is_worked_on_after_the_rest() -> None:
    begun: list[float] = []

    def meanwhile() -> Iterator[list[tuple[int, float]]]:
        begun.append(time.monotonic())
        yield []
        yield [(7, 0.0), (8, 0.0)]
        yield [(9, 0.0)]

    for items in ([(5, 0.0), (6, 0.0)], []):
        with Pool(_work, _begin) as pool:
            found = pool.spread(items, 2, died=lambda item: pytest.fail("died"), weigh=lambda item: item[0], meanwhile=meanwhile())
        assert [f[0] for f in found] == [*(number for number, _ in items), 7, 8, 9]
        assert min(f[1] for f in found) > begun[-1]
    assert len(begun) == 2


def test_the_processes_stay_for_the_next_lot_and_hear_what_comes_before_it() -> None:
    with Pool(_work, _begin) as pool:
        pool.man(1)
        lots = [pool.spread([(k, 0.0) for k in range(4)], 1, died=lambda item: pytest.fail("died"), first=word) for word in ("one", "two")]
        plain = pool.spread([(9, 0.0)], 1, died=lambda item: pytest.fail("died"))
    assert [{f[3] for f in lot} for lot in lots] == [{"begun one"}, {"begun one two"}]
    assert [f[3] for f in plain] == ["begun one two"]
    assert len({f[4] for lot in (*lots, plain) for f in lot}) == 1


def test_the_block_judged_to_load_everything_is_a_sound_one() -> None:
    report = warm()
    assert report.volume == pytest.approx(30 * 20 * 10)
    assert not [r for r in report.rules if r.outcome is Outcome.BROKE]
    assert sum(r.outcome is Outcome.CLEAN for r in report.rules) > 20


def test_what_a_part_takes_grows_with_its_faces_and_not_with_its_format(tmp_path: Path) -> None:
    """A million faces, told from the size of the file: at least the 740 to 840 bytes a face that were measured."""
    for suffix, bytes_a_face in ((".stl", 50), (".ply", 19), (".glb", 24), (".obj", 60)):
        path = tmp_path / f"heron{suffix}"
        with path.open("wb") as file:
            file.truncate(bytes_a_face * 1_000_000)
        assert room.taken_by(path) > 840 * 1_000_000
    assert 0 < room.taken_by(tmp_path / "absent.stl") < 1_000_000_000
    with (tmp_path / "troll.bin").open("wb") as file:
        file.truncate(24_000_000)
    (tmp_path / "troll.gltf").write_text("{}")
    assert room.taken_by(tmp_path / "troll.gltf") > 840 * 1_000_000


def test_the_smallest_of_what_is_free_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    names = ("memory.max", "memory.current", "inactive_file")
    monkeypatch.setattr(room, "_of_machine", lambda: 8 << 30)
    monkeypatch.setattr(room, "_groups", lambda: iter([(tmp_path, *names)]))
    assert room.room() == int(0.8 * (8 << 30))
    (tmp_path / "memory.current").write_text("1073741824\n")
    (tmp_path / "memory.max").write_text("max\n")
    assert room.room() == int(0.8 * (8 << 30))
    (tmp_path / "memory.max").write_text("2147483648\n")
    assert room.room() == int(0.8 * (1 << 30))
    (tmp_path / "memory.stat").write_text("anon 3\ninactive_file 536870912\n")
    assert room.room() == int(0.8 * (3 << 29))
    monkeypatch.setattr(room, "_of_machine", lambda: None)
    monkeypatch.setattr(room, "_groups", lambda: iter([]))
    assert room.room() is None
