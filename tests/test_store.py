"""The store of finished results: whole or not there, closed to others, never larger than allowed."""

from __future__ import annotations

import os
import stat
import threading
import time
from pathlib import Path

import pytest

from lint import store as module
from lint.store import Store, default_folder, open_store

KEYS = [f"{n:064x}" for n in range(40)]


def entry(store: Store, key: str) -> Path:
    return store.folder / key[:2] / key[2:]


def test_what_was_kept_is_found_and_nothing_else_is(tmp_path: Path) -> None:
    store = Store(tmp_path / "kept")
    assert store.get(KEYS[0]) is None
    assert not store.folder.exists(), "looking makes no folder"
    assert store.put(KEYS[0], b"clean")
    assert store.get(KEYS[0]) == b"clean"
    assert store.get(KEYS[1]) is None
    assert store.put(KEYS[0], b"found")
    assert Store(tmp_path / "kept").get(KEYS[0]) == b"found"


@pytest.mark.skipif(os.name == "nt", reason="the system has other ways to close a folder")
def test_only_the_owner_may_look_in(tmp_path: Path) -> None:
    store = Store(tmp_path / "kept")
    store.put(KEYS[0], b"clean")
    assert stat.S_IMODE(store.folder.stat().st_mode) == 0o700
    assert stat.S_IMODE(entry(store, KEYS[0]).stat().st_mode) == 0o600
    store.folder.chmod(0o770)
    assert Store(tmp_path / "kept").get(KEYS[0]) is None, "others could have written in it"
    assert stat.S_IMODE(store.folder.stat().st_mode) == 0o700


def test_a_damaged_entry_is_passed_over_and_replaced(tmp_path: Path) -> None:
    store = Store(tmp_path / "kept")
    store.put(KEYS[0], bytes(range(256)))
    whole = entry(store, KEYS[0]).read_bytes()
    for size in range(len(whole)):
        entry(store, KEYS[0]).write_bytes(whole[:size])
        assert store.get(KEYS[0]) is None
    for place in range(len(whole)):
        entry(store, KEYS[0]).write_bytes(whole[:place] + bytes([whole[place] ^ 1]) + whole[place + 1 :])
        assert store.get(KEYS[0]) is None
    entry(store, KEYS[0]).write_bytes(whole + b"\0")
    assert store.get(KEYS[0]) is None
    store.put(KEYS[1], b"another")
    os.replace(entry(store, KEYS[1]), entry(store, KEYS[0]))
    assert store.get(KEYS[0]) is None, "an entry speaks for its own key alone"
    assert store.put(KEYS[0], b"again")
    assert store.get(KEYS[0]) == b"again"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="there are no pipes by name")
def test_what_is_no_ordinary_file_is_passed_over_at_once(tmp_path: Path) -> None:
    store = Store(tmp_path / "kept")
    store.put(KEYS[0], b"clean")
    store.put(KEYS[1], b"clean")
    path = entry(store, KEYS[0])
    path.unlink()
    os.mkfifo(path)
    assert store.get(KEYS[0]) is None
    path.unlink()
    path.symlink_to(entry(store, KEYS[1]))
    assert store.get(KEYS[0]) is None
    path.unlink()
    path.mkdir()
    assert store.get(KEYS[0]) is None
    assert not store.put(KEYS[0], b"clean")
    assert not [p for p in path.parent.iterdir() if p.name.startswith(".")]


def test_a_place_that_cannot_be_written_costs_nothing_but_the_entry(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    store = Store(tmp_path / "file")
    assert not store.put(KEYS[0], b"clean")
    assert store.get(KEYS[0]) is None
    store = Store(tmp_path / "file" / "below")
    assert not store.put(KEYS[0], b"clean")
    assert store.get(KEYS[0]) is None
    store.close()


def test_what_was_used_longest_ago_goes_first(tmp_path: Path) -> None:
    store = Store(tmp_path / "kept", most=20 * 4096)
    for number, key in enumerate(KEYS):
        store.put(key, bytes(3000))
        os.utime(entry(store, key), (time.time() - 10_000_000 + 10_000 * number,) * 2)
    assert store.get(KEYS[3]) == bytes(3000)  # used now
    store.close()
    left = [key for key in KEYS if store.get(key) is not None]
    assert left == [KEYS[3], *KEYS[-(len(left) - 1) :]]
    assert 12 <= len(left) <= 20
    store.close()
    assert [key for key in KEYS if store.get(key) is not None] == left, "a run that wrote nothing throws nothing out"


def test_leftovers_of_killed_runs_go_and_those_of_living_ones_stay(tmp_path: Path) -> None:
    store = Store(tmp_path / "kept")
    store.put(KEYS[0], b"clean")
    dead, living = (entry(store, KEYS[0]).with_name(f".writing-{n}") for n in "12")
    dead.write_bytes(b"half")
    living.write_bytes(b"half")
    os.utime(dead, (time.time() - 7200,) * 2)
    store.close()
    assert not dead.exists()
    assert living.exists()
    assert store.get(KEYS[0]) == b"clean"


def test_the_store_is_gone_through_once_an_hour(tmp_path: Path) -> None:
    """A leftover waits for the hour, and no longer: a run that writes little only then looks at all that is kept."""
    store = Store(tmp_path / "kept")
    store.put(KEYS[0], b"clean")
    store.close()
    dead = entry(store, KEYS[0]).with_name(".writing-1")
    for age in (10, 7200):
        dead.write_bytes(b"half")
        os.utime(dead, (time.time() - 7200,) * 2)
        os.utime(tmp_path / "kept" / ".looked", (time.time() - age,) * 2)
        store.put(KEYS[1], b"clean")
        store.close()
        assert dead.exists() == (age < 3600)


def test_runs_at_once_find_whole_entries_only(tmp_path: Path) -> None:
    contents = {bytes([n]) * (20_000 + n) for n in range(4)}
    over, seen = threading.Event(), set()

    def write(content: bytes) -> None:
        store = Store(tmp_path / "kept")
        while not over.is_set():
            assert store.put(KEYS[0], content)

    writers = [threading.Thread(target=write, args=(c,)) for c in contents]
    for writer in writers:
        writer.start()
    reader = Store(tmp_path / "kept")
    for _ in range(2000):
        seen.add(reader.get(KEYS[0]))
        if len(seen - {None}) == 4:
            break
    over.set()
    for writer in writers:
        writer.join()
    assert seen - {None} <= contents
    assert reader.get(KEYS[0]) in contents


def test_where_it_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for word in ("BUCKWRIGHT_STORE", "BUCKWRIGHT_STORE_MIB", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.delenv(word, raising=False)
    monkeypatch.setattr(module.Path, "home", lambda: tmp_path)
    for system, folder in (("linux", ".cache/buckwright"), ("darwin", "Library/Caches/buckwright")):
        monkeypatch.setattr(module.sys, "platform", system)
        assert default_folder() == tmp_path / folder
    monkeypatch.setattr(module.sys, "platform", "win32")
    assert default_folder() is None
    monkeypatch.setenv("LOCALAPPDATA", str(tmp_path / "local"))
    assert default_folder() == tmp_path / "local" / "buckwright" / "cache"
    monkeypatch.setattr(module.sys, "platform", "linux")
    monkeypatch.setenv("XDG_CACHE_HOME", "not/absolute")
    assert default_folder() == tmp_path / ".cache" / "buckwright"
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "xdg"))
    store = open_store()
    assert store is not None
    assert store.folder == tmp_path / "xdg" / "buckwright" / "results"
    monkeypatch.setenv("BUCKWRIGHT_STORE", str(tmp_path / "mine"))
    monkeypatch.setenv("BUCKWRIGHT_STORE_MIB", "2.5")
    store = open_store()
    assert store is not None
    assert (store.folder, store.most) == (tmp_path / "mine" / "results", 5 << 19)
    monkeypatch.setenv("BUCKWRIGHT_STORE", "off")
    assert open_store() is None
