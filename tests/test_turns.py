"""Rules judged by several threads say what they say one after another, and nobody waits for ever."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lint.measure as measuring
from corpus import solids
from lint import cores, run
from lint.measure import MeasurementFailed, Survey
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Finding, NotRun, Outcome, Part, PartReport, Rule, RuleResult
from lint.turns import Turns
from tests.meshes import part


@pytest.fixture(autouse=True)
def one_core() -> Iterator[None]:
    yield
    cores.use(1)


def rule_of(number: int, *after: int) -> Rule:
    return replace(all_rules()[2], number=number, after=after)


def told(report: PartReport) -> object:
    rules = [(r.number, r.outcome, r.why, r.missing) for r in report.rules]
    found = [(f.rule, f.case, f.message, f.weight, f.measured, f.place and f.place.centre) for f in report.findings]
    return rules, found, report.unreadable, report.volume


def shapes() -> dict[str, solids.Mesh]:
    ball, block = solids.ball(20, level=4), solids.box((30, 30, 30), low=(10, 0, -5), step=3.0)
    shaken = ball[0] + np.random.default_rng(3).normal(0, 0.7, ball[0].shape)
    return {
        "crossing": solids.joined(ball, block), "open": (ball[0], ball[1][:-40]), "rough": (shaken, ball[1]),
        "turned": (ball[0], ball[1][:, ::-1]), "nothing": (ball[0], ball[1][:0]),
    }  # fmt: skip


@pytest.mark.parametrize("name", list(shapes()))
@pytest.mark.parametrize("threads", [2, 5])
def test_threads_say_what_one_says(name: str, threads: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "LARGE", 0)
    whole = part(shapes()[name])
    facts = Settings(process="extrusion", nozzle=0.4, layer=0.2, bed=(200, 200, 200), pull=(0, 0, 1), mould="rigid")
    one = examine(whole, all_rules(), facts)
    cores.use(threads)
    several = examine(whole, all_rules(), facts)
    assert told(several) == told(one)
    assert set(several.measured_seconds) == set(one.measured_seconds)


def test_a_measurement_is_taken_once_however_many_want_it(monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[int] = []

    def slow(part: Part) -> int:
        times.append(1)
        time.sleep(0.05)
        return 7

    monkeypatch.setitem(measuring.known(), "slow", slow)
    survey = Survey(part(solids.box((5, 5, 5))))
    found: list[int] = []
    threads = [threading.Thread(target=lambda: found.append(survey.get("slow"))) for _ in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert found == [7] * 8
    assert len(times) == 1


@pytest.mark.parametrize("kind", [NotRun("no unit"), MemoryError(), RuntimeError("bug")])
def test_a_measurement_that_cannot_be_had_fails_the_same_for_all(kind: Exception, monkeypatch: pytest.MonkeyPatch) -> None:
    times: list[int] = []

    def bad(part: Part) -> int:
        times.append(1)
        time.sleep(0.02)
        raise kind

    monkeypatch.setitem(measuring.known(), "bad", bad)
    monkeypatch.setitem(measuring.known(), "beyond", lambda bad: bad)
    survey = Survey(part(solids.box((5, 5, 5))))
    caught: list[Exception] = []

    def ask(name: str) -> None:
        try:
            survey.get(name)
        except Exception as error:
            caught.append(error)

    threads = [threading.Thread(target=ask, args=(name,)) for name in ("bad", "beyond") * 3]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(10)
    assert len(times) == 1
    wanted = MeasurementFailed if isinstance(kind, RuntimeError) else type(kind)
    assert [type(error) for error in caught] == [wanted] * 6


Waits = st.integers(2, 12).flatmap(lambda n: st.lists(st.sets(st.integers(2, 13), max_size=3), min_size=n, max_size=n))


def test_a_helper_waits_for_what_only_the_first_thread_may_judge() -> None:
    turns = Turns({2: rule_of(2), 3: rule_of(3), 4: rule_of(4, 3)})
    turns.ended(2, RuleResult(2, "", Outcome.CLEAN), [])
    taken: list[int | None] = []
    helper = threading.Thread(target=lambda: taken.append(turns._next(lambda rule: rule.number != 3, front=False)), daemon=True)
    helper.start()
    helper.join(0.2)
    assert taken == []
    assert turns._next(lambda rule: True, front=True) == 3
    turns.ended(3, RuleResult(3, "", Outcome.CLEAN), [])
    helper.join(10)
    assert taken == [4]


@settings(max_examples=60, deadline=None)
@given(after=Waits, threads=st.integers(1, 4))
def test_nobody_waits_for_ever(after: list[set[int]], threads: int) -> None:
    """Whatever rules wait for, even for each other or for rules that are not there, all are heard, each once, after those before it."""
    turns = Turns({n: rule_of(n, *earlier) for n, earlier in enumerate(after, start=2)})
    heard: list[int] = []
    known: dict[int, set[int]] = {}  # whose verdict stood when each was begun

    def judge(number: int) -> tuple[RuleResult, list[Finding]]:
        known[number] = set(turns.results)
        heard.append(number)
        return RuleResult(number, "", Outcome.CLEAN, "", 0.0, {}, ""), []

    worker = threading.Thread(target=turns.take_all, args=(judge, threads, lambda rule: rule.number % 3 == 0), daemon=True)
    worker.start()
    worker.join(20)
    assert not worker.is_alive()
    assert sorted(heard) == sorted(turns.rules) == sorted(turns.results)
    circles = _circles(turns)
    for number in set(turns.rules) - circles:
        assert {e for e in turns.rules[number].after if e in turns.rules} <= known[number]


def _circles(turns: Turns) -> set[int]:
    """Rules that wait, directly or not, for a rule of their own number or a later one."""
    odd = {n for n, rule in turns.rules.items() if any(e >= n for e in rule.after)}
    while more := {n for n, rule in turns.rules.items() if set(rule.after) & odd} - odd:
        odd |= more
    return odd


@pytest.mark.parametrize("threads", [1, 3])
def test_what_breaks_on_any_thread_is_raised(threads: int) -> None:
    def judge(number: int) -> tuple[RuleResult, list[Finding]]:
        time.sleep(0.01)
        if number == 8:
            raise RuntimeError("the engine itself")
        return RuleResult(number, "", Outcome.CLEAN, "", 0.0, {}, ""), []

    with pytest.raises(RuntimeError, match="engine"):
        Turns({n: rule_of(n) for n in range(2, 9)}).take_all(judge, threads, lambda rule: False)


def test_work_is_shared_among_cores_and_its_failure_told() -> None:
    cores.use(3)
    seen: list[slice] = []
    cores.shared(seen.append, 100, 10)
    assert sorted((s.start, s.stop) for s in seen) == [(0, 33), (33, 66), (66, 100)]
    seen.clear()
    cores.shared(seen.append, 19, 10)
    assert [(s.start, s.stop) for s in seen] == [(0, 19)]
    with pytest.raises(ZeroDivisionError):
        cores.shared(lambda some: print(1 // (some.start - 33)), 100, 10)


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system cannot hold a process to some of its cores")
def test_only_the_cores_that_a_process_may_run_on_count() -> None:
    """As in a container, or a CI runner, that has a share of a large machine."""
    words = "import os; from lint import cores; os.sched_setaffinity(0, [min(os.sched_getaffinity(0))]); print(cores.allowed())"
    here = cores.allowed()
    assert here == len(os.sched_getaffinity(0))
    assert subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True).stdout == "1\n"
