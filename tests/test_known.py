"""Results of earlier runs: told again only while nothing that they depend on has changed."""

from __future__ import annotations

import datetime
import hashlib
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from corpus import solids
from lint.cli import main
from lint.commands import judging, kept, keys
from lint.commands.keys import Keys
from lint.commands.listing import comparing
from lint.commands.looking import look
from lint.commands.running import How, Run
from lint.commands.shelves import Facts
from lint.rooms import all_rules
from lint.save import write_part
from lint.shelf import digest_of
from lint.terms import Outcome, Part, PartReport, Place, RuleResult, Source


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("BUCKWRIGHT_STORE", str(tmp_path / "store"))
    folder = tmp_path / "shelf"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def examined(monkeypatch: pytest.MonkeyPatch) -> list[tuple[str, bool]]:
    """The parts that were examined, each with whether by every rule, as they come."""
    seen: list[tuple[str, bool]] = []
    real = judging.examine

    def examine(part: Part, rules: Any, *rest: Any, **more: Any) -> PartReport:
        seen.append((part.source.path.name, len(rules) > 10))
        return real(part, rules, *rest, **more)

    monkeypatch.setattr(judging, "examine", examine)
    return seen


def put(path: Path, size: tuple[float, float, float] = (20, 30, 40), at: tuple[float, float, float] = (0, 0, 0)) -> Path:
    vertices, faces = solids.box(size, at, step=10)
    write_part(Part(vertices.copy(), faces.copy(), Source(path, path.suffix[1:], "", 0), units="mm"), path)
    return path


def told(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, Any]]:
    """What `lint` says of each part, without the times."""
    main(["lint", *(words or (".",)), "--as", "json", "--jobs", "1"])
    parts: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["parts"]
    for part in parts:
        part.pop("seconds")
        part.pop("measured_seconds")
        part.pop("stored")
        for rule in part["rules"]:
            rule.pop("seconds")
    return parts


def same_as_anew(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, Any]]:
    """What is told, held to what is found without a store."""
    said = told(capsys, *words)
    store = os.environ.pop("BUCKWRIGHT_STORE")
    os.environ["BUCKWRIGHT_STORE"] = "off"
    anew = told(capsys, *words)
    os.environ["BUCKWRIGHT_STORE"] = store
    assert said == anew
    return said


Examined = list[tuple[str, bool]]
Capsys = pytest.CaptureFixture[str]


def test_what_is_unchanged_is_not_examined_again_and_told_the_same(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    for number in range(3):
        put(shelf / f"{number}.stl", (20, 30, 40 + number))
    first = told(capsys)
    assert len(examined) == 3
    examined.clear()
    assert told(capsys) == first
    assert examined == []
    for form in ("terminal", "sarif", "junit", "markdown"):
        main(["lint", ".", "--as", form, "--jobs", "1"])
        from_store = capsys.readouterr().out
        main(["lint", ".", "--as", form, "--jobs", "1", "--fresh"])
        anew = capsys.readouterr().out
        if form == "junit":  # it holds times
            from_store, anew = (" ".join(w for w in t.split() if not w.startswith("time=")) for t in (from_store, anew))
        if form == "terminal":
            assert "all told from an earlier run" in from_store
            from_store = "".join(line for line in from_store.splitlines(keepends=True) if "an earlier run" not in line)
        assert from_store == anew
    assert len(examined) == 12


def test_fresh_examines_anew_and_the_word_off_keeps_nothing(
    shelf: Path, examined: Examined, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(shelf / "a.stl")
    monkeypatch.setenv("BUCKWRIGHT_STORE", "off")
    told(capsys)
    assert len(examined) == 1
    assert not list(shelf.parent.glob("store*"))
    monkeypatch.setenv("BUCKWRIGHT_STORE", str(shelf.parent / "store"))
    told(capsys)
    told(capsys, ".", "--fresh")
    assert len(examined) == 3
    told(capsys)
    assert len(examined) == 3


Change = Callable[[Path], None]


def _file(folder: Path) -> None:
    put(folder / "a.obj", (20, 30, 41))


def _ticket_anew(folder: Path) -> None:
    (folder / "a.obj.ticket.toml").write_text('[part]\nbody = "nose"\nunits = "cm"\n')


def _ticket_nearer(folder: Path) -> None:
    _ticket_anew(folder)
    (folder / "a.ticket.toml").unlink(missing_ok=True)


def _ticket_gone(folder: Path) -> None:
    (folder / "a.ticket.toml").unlink()


def _shop(folder: Path) -> None:
    (folder / "shop.toml").write_text("edition = 1\n[print]\nbed = [10.0, 10.0, 10.0]\n")


def _materials(folder: Path) -> None:
    (folder / "skin.mtl").write_text("newmtl skin\nmap_Kd tin-king.jpg\n")


@pytest.mark.parametrize("change", [_file, _ticket_anew, _ticket_nearer, _ticket_gone, _shop, _materials])
def test_whatever_a_verdict_depends_on_is_heard_when_it_changes(
    change: Change, shelf: Path, examined: Examined, capsys: Capsys
) -> None:
    put(shelf / "a.obj")
    (shelf / "a.obj").write_text("mtllib skin.mtl\n" + (shelf / "a.obj").read_text())
    (shelf / "a.ticket.toml").write_text('[part]\nunits = "mm"\n')
    (shelf / "shop.toml").write_text("edition = 1\n")
    before = told(capsys)
    assert told(capsys) == before
    assert len(examined) == 1
    change(shelf)
    after = same_as_anew(capsys)
    assert after != before
    assert examined[1:3] == [("a.obj", True)] * 2


def test_flags_rules_and_the_way_of_casting_rays_have_results_of_their_own(
    shelf: Path, examined: Examined, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(shelf / "a.stl")
    mm = ("--units", "mm")
    for count, words in enumerate(((), mm, ("--units", "cm"), (*mm, "--rule", "24"), (*mm, "--bed", "9,9,9")), 1):
        told(capsys, ".", *words)
        told(capsys, ".", *words)
        assert len(examined) == count
    monkeypatch.setenv("BUCKWRIGHT_RAYS", "plain")
    told(capsys)
    assert len(examined) == 6
    monkeypatch.setattr(keys, "program", lambda: "another version")
    told(capsys)
    assert len(examined) == 7


def test_a_copy_that_comes_or_goes_is_told_of_by_parts_that_have_not_changed(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    for number in range(4):
        put(shelf / f"{number}.stl", (20, 30, 40 + number))
    told(capsys)
    examined.clear()
    put(shelf / "again.ply", (20, 30, 42), (100, 0, 0))
    after = told(capsys)
    assert sorted(examined) == [("2.stl", False), ("again.ply", True)]
    assert [p["path"] for p in after if any(f["rule"] == 72 for f in p["findings"])] == ["2.stl", "again.ply"]
    same_as_anew(capsys)
    examined.clear()
    put(shelf / "again.ply", (20, 30, 42.5), (100, 0, 0))
    after = told(capsys)
    assert sorted(examined) == [("2.stl", False), ("again.ply", True)]
    assert not any(f["rule"] == 72 for p in after for f in p["findings"])
    same_as_anew(capsys)
    put(shelf / "again.ply", (20, 30, 42), (100, 0, 0))
    told(capsys)
    (shelf / "again.ply").unlink()
    put(shelf / "4.stl", (20, 30, 44))
    examined.clear()
    after = told(capsys)
    assert sorted(examined) == [("2.stl", False), ("4.stl", True)]
    assert not any(f["rule"] == 72 for p in after for f in p["findings"])


def test_a_copy_is_called_deliberate_as_soon_as_its_ticket_says_so(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    put(shelf / "a.stl")
    put(shelf / "b.ply", at=(50, 0, 0))
    assert [f["rule"] for p in same_as_anew(capsys) for f in p["findings"] if f["rule"] == 72] == [72, 72]
    (shelf / "b.ply.ticket.toml").write_text('[part]\npair = "a.stl"\n')
    examined.clear()
    assert not [f for p in told(capsys) for f in p["findings"] if f["rule"] == 72]
    assert sorted(examined) == [("a.stl", False), ("b.ply", True)]
    same_as_anew(capsys)


def test_a_pair_is_read_again_when_it_changes_even_outside_of_the_run(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    (shelf / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n')
    put(shelf / "left.stl")
    (shelf / "left.stl.ticket.toml").write_text('[part]\npair = "right.stl"\n')

    def says() -> list[tuple[str, str]]:
        (part,) = same_as_anew(capsys, "left.stl")
        return [(r["outcome"], r["why"]) for r in part["rules"] if r["number"] == 56]

    ((outcome, why),) = says()
    assert outcome == "not run"
    assert "right.stl could not be read" in why
    put(shelf / "right.stl")
    assert says() == [("clean", "")]
    examined.clear()
    told(capsys, "left.stl")
    assert examined == []
    put(shelf / "right.stl", (20, 30, 60))
    assert says()[0][0] == "found"
    (shelf / "right.stl.ticket.toml").write_text('[part]\nunits = "cm"\n')
    examined.clear()
    told(capsys, "left.stl")
    assert examined == [("left.stl", False)], "the ticket of the pair says how large it is"
    same_as_anew(capsys, "left.stl")
    (shelf / "right.stl").unlink()
    assert says()[0][0] == "not run"


def test_one_result_serves_the_same_file_wherever_it_lies(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    (shelf / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n')
    for folder in ("masks", "puppets"):
        (shelf / folder).mkdir()
        put(shelf / folder / "a.stl")
        (shelf / folder / "a.stl.ticket.toml").write_text('[part]\npair = "b.stl"\n')
    put(shelf / "masks" / "b.stl")
    told(capsys, "masks/a.stl")
    examined.clear()
    told(capsys, "puppets/a.stl")
    assert examined == [("a.stl", False)], "its pair lies elsewhere, the rest is known"
    both = same_as_anew(capsys, "masks/a.stl", "puppets/a.stl")
    assert [[r["outcome"] for r in part["rules"] if r["number"] == 56] for part in both] == [["clean"], ["not run"]]


def test_a_lone_part_that_gets_company_is_compared(shelf: Path, capsys: Capsys) -> None:
    put(shelf / "a.stl")
    (alone,) = told(capsys)
    assert {r["number"]: r["why"] for r in alone["rules"]}[72] == "it compares parts, and only one was given"
    put(shelf / "b.stl", (9, 9, 9))
    with_company = same_as_anew(capsys)
    assert {r["number"]: r["outcome"] for r in with_company[0]["rules"]}[72] == "clean"


def test_the_ledger_and_its_last_days_are_heard_on_every_run(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    put(shelf / "a.stl")
    assert not any(f["accepted"] for f in told(capsys)[0]["findings"])
    until = (datetime.date.today() + datetime.timedelta(days=1)).isoformat()
    assert main(["accept", "a.stl", "--as-it-stands", "--because", "it is a block", "--until", until, "--jobs", "1"]) == 0
    capsys.readouterr()
    assert all(f["accepted"] for f in told(capsys)[0]["findings"])
    ledger = shelf / "ledger.toml"
    ledger.write_text(ledger.read_text().replace(until, "2020-02-02"))
    (late,) = told(capsys)
    assert not any(f["accepted"] for f in late["findings"])
    assert "past its last day" in " ".join(late["notes"])
    assert len(examined) == 1


def test_what_broke_or_could_not_be_read_is_not_kept(
    shelf: Path, examined: Examined, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    (shelf / "shop.toml").write_text('edition = 1\n[part]\nunits = "mm"\n')
    put(shelf / "a.stl")
    (shelf / "bad.stl").write_bytes(b"solid that ends here")
    rule = all_rules()[13]
    real = rule.function

    def broken(**_: Any) -> Any:
        raise MemoryError

    monkeypatch.setattr(rule, "function", lambda limits: broken())
    assert [r["outcome"] for r in told(capsys)[0]["rules"] if r["number"] == 13] == ["broke"]
    monkeypatch.setattr(rule, "function", real)
    examined.clear()
    said = told(capsys)
    assert examined == [("a.stl", True)]
    assert [r["outcome"] for r in said[0]["rules"] if r["number"] == 13] != ["broke"]
    assert said[1]["unreadable"]
    examined.clear()
    told(capsys)
    assert examined == []
    put(shelf / "bad.stl", (9, 9, 9))
    assert told(capsys)[1]["unreadable"] is None


def test_a_part_that_changes_while_it_is_examined_is_kept_as_it_was_read(
    shelf: Path, examined: Examined, capsys: Capsys, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The worst that a store can do is to call the new file what the old one was."""
    put(shelf / "a.stl")
    real = judging.examine

    def swapped(*args: Any, **more: Any) -> PartReport:
        report = real(*args, **more)
        put(shelf / "a.stl", (2, 3, 4))
        return report

    with monkeypatch.context() as meanwhile:
        meanwhile.setattr(judging, "examine", swapped)
        told(capsys)
    assert same_as_anew(capsys)[0]["low_corner"] == [0.0, 0.0, 0.0]
    (part,) = told(capsys)
    assert part["sha256"] == hashlib.sha256((shelf / "a.stl").read_bytes()).hexdigest()


def test_damaged_entries_are_examined_again(shelf: Path, examined: Examined, capsys: Capsys) -> None:
    put(shelf / "a.stl")
    first = told(capsys)
    for path in (shelf.parent / "store").rglob("*"):
        if path.is_file():
            path.write_bytes(path.read_bytes()[:-1])
    assert told(capsys) == first
    assert len(examined) == 2
    assert told(capsys) == first
    assert len(examined) == 2


def test_an_entry_of_another_shape_is_passed_over() -> None:
    assert kept.read_alone(b"") is None
    assert kept.read_alone(b"\x93\x01\x02\x03") is None
    assert kept.read_compared(b"\xc0") is None


def test_nothing_is_kept_of_the_mesh_or_of_the_words_in_the_file(shelf: Path, capsys: Capsys) -> None:
    path = put(shelf / "a.ply")
    path.write_bytes(path.read_bytes().replace(b"format", b"comment belongs to Ottilie\nformat", 1))
    told(capsys)
    entries = [p.read_bytes() for p in (shelf.parent / "store").rglob("*") if p.is_file()]
    assert b"Ottilie" not in b"".join(entries)
    of_parts = [entry for entry in entries if b"At the bench:" not in entry]  # the other one lists the rules with their pages
    assert 0 < len(of_parts) == len(entries) - 1
    assert sum(map(len, of_parts)) < 40_000


def test_jobs_and_a_store_change_no_verdict(shelf: Path, capsys: Capsys) -> None:
    paths = [put(shelf / f"{n}.stl", (20, 30, 40 + n // 2), (n, 0, 0)) for n in range(10)]
    run = Run(Facts(flags={"units": "mm"}), frozenset({1, 2, 34, 72}), tuple(paths))

    def plain(reports: list[PartReport]) -> list[Any]:
        return [(r.path, r.findings, [(x.number, x.outcome, x.why, x.limits) for x in r.rules], r.low, r.notes) for r in reports]

    two = plain(look(paths, run, How(2)))
    assert len([f for part in two for f in part[1] if f.rule == 72]) == 10
    assert plain(look(paths, run, How(1, fresh=True))) == two
    stored = look(paths, run, How(2))
    assert plain(stored) == two
    assert all(r.stored for r in stored)


def test_every_rule_that_looks_at_the_shelf_asks_in_a_way_that_can_be_asked_again() -> None:
    rules = all_rules()
    assert comparing(rules) >= {n for n, r in rules.items() if r.picks}
    assert comparing(rules) == {56, 72}
    names = [pick.name for rule in rules.values() for pick in rule.picks]
    assert len(set(names)) == len(names)
    assert all("<locals>" not in name and "<lambda>" not in name for name in names)


def test_an_answer_is_told_apart_to_the_last_bit() -> None:
    import numpy as np

    answers: list[Any] = [
        None, [], [[]], (1,), 1, 1.0, True, "1", np.array([1.0]), np.array([1]), np.array([[1.0]]), np.array([np.nextafter(1, 2)]),
        Path("a"), "a", Place((0.0, 0.0, 0.0), 1.0), ["a", "b"], ["ab"], float("nan"), -0.0, 0.0,
    ]  # fmt: skip
    assert len({digest_of(a) for a in answers}) == len(answers)
    assert digest_of([np.array([1.0, 2.0])[::1]]) == digest_of([np.array([1.0, 0.0, 2.0])[::2]])
    with pytest.raises(TypeError):
        digest_of({1: 2})


def test_only_finished_results_are_finished(tmp_path: Path) -> None:
    vertices, faces = solids.box((1, 1, 1))
    part = Part(vertices, faces, Source(Path("a.stl"), "stl", "", 0))
    fine = PartReport(part, Path("a.stl"), rules=(RuleResult(1, "x", Outcome.CLEAN), RuleResult(2, "y", Outcome.NOT_RUN, "no facts")))
    assert kept.finished(fine)
    for other in (
        PartReport(None, Path("a.stl"), unreadable="a.stl: not run: it took over 60 s"),
        PartReport(part, Path("a.stl"), unreadable="a.stl: no faces"),
        PartReport(part, Path("a.stl"), rules=(RuleResult(1, "x", Outcome.BROKE, "memory"),)),
    ):
        assert not kept.finished(other)
    assert Keys({}, None).run != Keys({}, {1}).run != Keys({"wall": 1.0}, {1}).run
