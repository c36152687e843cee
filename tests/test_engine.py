"""The engine's own safeguards, each broken on purpose."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from corpus import solids
from lint import measure
from lint.measure import Survey
from lint.mend import PASSES, carried_zone, mend
from lint.run import examine
from lint.settings import Settings, Tuning, gather
from lint.terms import (
    BadInput,
    Declined,
    Finding,
    Fix,
    Job,
    Limit,
    NotRun,
    NotYet,
    Outcome,
    Part,
    Promise,
    Rule,
    Shaped,
    Source,
    Touch,
    Weight,
    Zone,
)  # fmt: skip
from lint.ticket import Shop


def part_of(mesh: solids.Mesh) -> Part:
    return Part(mesh[0].copy(), mesh[1].copy(), Source(Path("troll.stl"), "stl", "", 0), units="mm", units_from="the ticket")


def rule(number: int, find: object, **more: object) -> Rule:
    made = Rule(number, f"rule {number}", Weight.STOP, "mm", {"too much": "measured {measured:.2f} {unit}"}, **more)  # type: ignore[arg-type]
    made.function = find  # type: ignore[assignment]
    return made


def wide(limit: float) -> Rule:
    made = rule(90, None, limits={"width": Limit(limit, "mm", "made for this test")}, fix="shrink")

    def find(extent: measure.Survey, limits: dict[str, float]) -> Iterator[Finding]:
        width = extent.high[0] - extent.low[0]  # type: ignore[attr-defined]
        if width > limits["width"]:
            yield made.finding("too much", width, limits["width"])

    made.function = find
    return made


def shrink(promise: Promise, factor: float = 0.5, touch: Touch = Touch.SKIN) -> Fix:
    def make(job: Job) -> Shaped:
        return Shaped(job.part.with_mesh(job.part.vertices * factor, job.part.faces), promise, "made it smaller")

    return Fix("shrink", touch, "makes it smaller", function=make)


CUBE = solids.box((10, 10, 10), step=2)
ANY = Promise(skin_max=None, skin_p99=None, volume="any", pieces="any", clears=(90,))


def test_a_promise_kept_is_accepted_and_a_second_run_changes_nothing() -> None:
    mended = mend(part_of(CUBE), {90: wide(8)}, {"shrink": shrink(ANY)}, Settings())
    assert [s.outcome for s in mended.steps] == ["done"]
    assert not mended.broke
    again = mend(mended.part, {90: wide(8)}, {"shrink": shrink(ANY)}, Settings())
    assert again.steps == ()
    assert again.part is mended.part


@pytest.mark.parametrize(
    ("promise", "word"),
    [
        (Promise(skin_max=0.1, skin_p99=None, volume="any", clears=(90,)), "move the skin"),
        (Promise(skin_max=None, skin_p99=None, volume="same", clears=(90,)), "volume"),
        (Promise(skin_max=None, skin_p99=None, volume="more", clears=(90,)), "volume"),
    ],
)
def test_a_broken_promise_leaves_the_old_part(promise: Promise, word: str) -> None:
    part = part_of(CUBE)
    mended = mend(part, {90: wide(8)}, {"shrink": shrink(promise)}, Settings())
    assert mended.broke
    assert mended.part is part
    assert mended.steps[0].outcome == "promise broke"
    assert word in mended.steps[0].why


def test_a_fix_that_does_not_help_is_refused() -> None:
    mended = mend(part_of(CUBE), {90: wide(8)}, {"shrink": shrink(ANY, factor=0.9)}, Settings())
    assert mended.steps[0].outcome == "taken back"
    assert not mended.broke  # it did no harm, so what else can be done is done
    assert "still speaks" in mended.steps[0].why


@pytest.mark.parametrize(
    ("called", "raised", "outcome"),
    [
        (Weight.STOP, Weight.STOP, "taken back"),
        (Weight.CAUTION, Weight.STOP, "taken back"),
        (Weight.CAUTION, Weight.CAUTION, "taken back"),
        (Weight.STOP, Weight.CAUTION, "done"),  # a part that cannot be printed at all is not the better one
        (Weight.CAUTION, Weight.NOTE, "done"),
    ],
)
def test_a_fix_that_raises_another_rule_is_taken_back_unless_it_ends_a_stop(called: Weight, raised: Weight, outcome: str) -> None:
    large, small = wide(8), rule(91, None)
    large.weight, small.weight = called, raised

    def find(extent: Survey) -> Iterator[Finding]:
        if extent.diagonal < 10:  # type: ignore[attr-defined]
            yield small.finding("too much", extent.diagonal)  # type: ignore[attr-defined]

    small.function = find
    part = part_of(CUBE)
    mended = mend(part, {90: large, 91: small}, {"shrink": shrink(ANY)}, Settings())
    assert mended.steps[0].outcome == outcome
    assert (mended.part is part) == (outcome == "taken back")
    assert not mended.broke
    assert ("raised rule 91" in mended.steps[0].why) == (outcome == "taken back")


def test_a_fix_beyond_what_is_allowed_is_held_back() -> None:
    mended = mend(part_of(CUBE), {90: wide(8)}, {"shrink": shrink(ANY)}, Settings(allow=Touch.PIECE))
    assert [s.outcome for s in mended.steps] == ["held back"]
    assert not mended.broke


def test_fixes_that_undo_each_other_come_to_an_end() -> None:
    grow = shrink(Promise(skin_max=None, skin_p99=None, volume="any"), factor=2.0)
    narrow = rule(91, None, fix="settle")

    def find(extent: Survey) -> Iterator[Finding]:
        if extent.diagonal < 12:  # type: ignore[attr-defined]
            yield narrow.finding("too much", extent.diagonal)  # type: ignore[attr-defined]

    narrow.function = find
    grow.name = "settle"
    free = Promise(skin_max=None, skin_p99=None, volume="any", may_raise=(90, 91))
    fixes = {"shrink": shrink(free), "settle": Fix("settle", Touch.SKIN, "", function=lambda j: Shaped(
        j.part.with_mesh(j.part.vertices * 2.0, j.part.faces), free, "made it larger"))}  # fmt: skip
    mended = mend(part_of(CUBE), {90: wide(8), 91: narrow}, fixes, Settings())
    assert len(mended.steps) <= 2 * PASSES


def test_a_fix_that_declines_says_why() -> None:
    def make(job: Job) -> Shaped:
        raise Declined("the clay is still wet")

    mended = mend(part_of(CUBE), {90: wide(8)}, {"shrink": Fix("shrink", Touch.SKIN, "", function=make)}, Settings())
    assert (mended.steps[0].outcome, mended.steps[0].why) == ("declined", "the clay is still wet")
    assert not mended.broke


def test_an_unknown_step_is_refused_before_anything_is_done() -> None:
    with pytest.raises(BadInput, match="no step called 'polish'"):
        mend(part_of(CUBE), {}, {"shrink": shrink(ANY)}, Settings(steps=("polish",)))


def test_a_crashing_rule_breaks_alone() -> None:
    def crash(part: Part) -> Iterator[Finding]:
        raise ZeroDivisionError("oh")
        yield

    report = examine(part_of(CUBE), {90: wide(8), 91: rule(91, crash)}, Settings())
    assert [r.outcome for r in report.rules] == [Outcome.FOUND, Outcome.BROKE]
    assert "bug of buckwright" in report.rules[1].why


def test_a_rule_that_writes_on_shared_data_is_stopped() -> None:
    def scribble(skin: Survey) -> Iterator[Finding]:
        skin.vertices[0] = 0  # type: ignore[attr-defined]
        yield

    report = examine(part_of(CUBE), {91: rule(91, scribble)}, Settings())
    assert report.rules[0].outcome is Outcome.BROKE
    assert "read-only" in report.rules[0].why


def test_missing_facts_are_reasons_and_not_guesses() -> None:
    def never(part: Part) -> Iterator[Finding]:
        raise AssertionError("asked without its facts")
        yield

    report = examine(part_of(CUBE), {91: rule(91, never, needs=("use.pull",))}, Settings())
    assert (report.rules[0].outcome, report.rules[0].why) == (Outcome.NOT_RUN, "the ticket gives no pull")


def test_a_measurement_is_taken_once_and_frozen() -> None:
    survey = Survey(part_of(CUBE))
    first = survey.get("edges")
    assert survey.get("edges") is first
    with pytest.raises(ValueError, match="read-only"):
        first.ends[0] = 1


def test_a_failing_measurement_is_remembered() -> None:
    sheet = (CUBE[0], CUBE[1][1:])
    survey = Survey(part_of(sheet))
    for _ in range(2):
        with pytest.raises(NotRun, match="no volume"):
            survey.get("volume")


def test_a_rule_is_tuned_only_with_a_reason_and_a_known_limit() -> None:
    rules = {90: wide(8)}
    with pytest.raises(BadInput, match="needs a reason"):
        gather(part_of(CUBE).ticket, Shop(rule={"90": {"width": 12.0}}), rules=rules)
    with pytest.raises(BadInput, match="no such limit"):
        gather(part_of(CUBE).ticket, Shop(rule={"90": {"height": 12.0, "because": "tall trolls"}}), rules=rules)
    with pytest.raises(BadInput, match="no such rule"):
        gather(part_of(CUBE).ticket, Shop(rule={"7000": {"because": "tall trolls"}}), rules=rules)
    settings = gather(part_of(CUBE).ticket, Shop(rule={"90": {"width": 12.0, "because": "wide trolls"}}), rules=rules)
    report = examine(part_of(CUBE), rules, settings)
    assert report.rules[0].outcome is Outcome.CLEAN
    assert report.rules[0].limits["width"].set_by == "shop.toml: wide trolls"


def test_a_rule_on_trial_is_shown_and_not_counted() -> None:
    young = wide(8)
    young.since = 2
    report = examine(part_of(CUBE), {90: young}, Settings())
    assert report.findings[0].trial
    assert report.worst() is None


def test_a_rule_may_be_made_lighter_or_switched_off() -> None:
    lighter = examine(part_of(CUBE), {90: wide(8)}, Settings(tuning={90: Tuning("wide trolls", weight=Weight.NOTE)}))
    assert lighter.worst() is Weight.NOTE
    off = examine(part_of(CUBE), {90: wide(8)}, Settings(tuning={90: Tuning("wide trolls", off=True)}))
    assert off.rules[0].outcome is Outcome.NOT_RUN
    assert "wide trolls" in off.rules[0].why


def test_zones_are_carried_by_later_moves() -> None:
    lift = np.eye(4)
    lift[:3, :3] *= 2
    lift[2, 3] = 5
    plane = carried_zone(Zone("under", "base", 0.5, ((0.0, 0.0, 1.0), (0.0, 0.0, 1.0))), lift)
    np.testing.assert_allclose(plane.points, ((0.0, 0.0, 7.0), (0.0, 0.0, 1.0)))
    assert plane.size == pytest.approx(1.0)
    box = carried_zone(Zone("box", "gauge", 0.0, ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0))), lift)
    np.testing.assert_allclose(box.points, ((0.0, 0.0, 5.0), (2.0, 2.0, 7.0)))


def test_what_declined_is_offered_the_part_again_once_it_has_changed_and_before_an_asked_step_builds_on_it() -> None:
    """The first cannot work until the second has; the third, asked for, waits until the stop that calls for the first is gone."""
    free = Promise(skin_max=None, skin_p99=None, volume="any", may_raise=(90, 91))
    tall = rule(91, None, fix="second")

    def find(extent: Survey) -> Iterator[Finding]:
        if extent.low[0] < 100:  # type: ignore[attr-defined]
            yield tall.finding("too much", 0.0)

    tall.function = find
    offered: list[str] = []

    def first(job: Job) -> Shaped:
        offered.append("first")
        if job.part.vertices[:, 0].min() < 100:
            raise Declined("it lies in the way")
        return Shaped(job.part.with_mesh((job.part.vertices - 200) * 0.5 + 200, job.part.faces), free, "made it smaller")

    def second(job: Job) -> Shaped:
        offered.append("second")
        return Shaped(job.part.with_mesh(job.part.vertices + 200, job.part.faces), free, "moved it")

    def third(job: Job) -> Shaped:
        offered.append("third")
        assert np.ptp(job.part.vertices[:, 0]) < 8
        return Shaped(job.part.with_mesh(job.part.vertices, job.part.faces), free, "built on it")

    fixes = {
        "shrink": Fix("shrink", Touch.SKIN, "", function=first),
        "second": Fix("second", Touch.SKIN, "", function=second),
        "third": Fix("third", Touch.INSIDE, "", on_demand=True, function=third),
    }
    mended = mend(part_of(CUBE), {90: wide(8), 91: tall}, fixes, Settings(steps=("third",)))
    assert offered == ["first", "second", "first", "third"]
    said = [(s.name, s.outcome) for s in mended.steps]
    assert said == [("shrink", "declined"), ("second", "done"), ("shrink", "done"), ("third", "done")]
    assert not mended.after.findings


def test_what_a_sheet_could_not_be_given_is_offered_to_the_closed_part() -> None:
    """Declined twice while an ear was an open sheet, the wrap was not offered the seated part, and its crossings were left."""
    free = Promise(skin_max=None, skin_p99=None, volume="any", may_raise=(90, 91))
    vertices, faces = CUBE
    offered: list[bool] = []
    nudged: list[int] = []

    def wrap(job: Job) -> Shaped:
        offered.append(bool(len(job.survey.get("edges").open)))
        if offered[-1]:
            raise Declined("a sheet cannot be wrapped")
        return Shaped(job.part.with_mesh(job.part.vertices * 0.5, job.part.faces), free, "wrapped it")

    def nudge(job: Job) -> Shaped:
        nudged.append(1)
        return Shaped(job.part.with_mesh(job.part.vertices + 1, faces if len(nudged) > 1 else job.part.faces), free, "nudged it")

    always = rule(91, None, fix="nudge")

    def find(extent: Survey) -> Iterator[Finding]:
        if extent.low[0] < 1.5:  # type: ignore[attr-defined]
            yield always.finding("too much", float(extent.low[0]))  # type: ignore[attr-defined]

    always.function = find
    fixes = {"shrink": Fix("shrink", Touch.SKIN, "", function=wrap), "nudge": Fix("nudge", Touch.SKIN, "", function=nudge)}
    mended = mend(part_of((vertices, faces[1:])), {90: wide(8), 91: always}, fixes, Settings())
    assert offered == [True, True, False]
    assert [s.outcome for s in mended.steps if s.name == "shrink"] == ["declined", "done"]


def test_what_declines_twice_is_left_in_peace() -> None:
    offered: list[int] = []

    def never(job: Job) -> Shaped:
        offered.append(1)
        raise Declined("the clay is still wet")

    def nudge(job: Job) -> Shaped:
        return Shaped(job.part.with_mesh(job.part.vertices + 1, job.part.faces), Promise(skin_max=None, skin_p99=None), "nudged it")

    always = rule(91, None, fix="nudge")

    def find(extent: Survey) -> Iterator[Finding]:
        yield always.finding("too much", float(extent.low[0]))  # type: ignore[attr-defined]

    always.function = find
    fixes = {"shrink": Fix("shrink", Touch.SKIN, "", function=never), "nudge": Fix("nudge", Touch.SKIN, "", function=nudge)}
    mended = mend(part_of(CUBE), {90: wide(8), 91: always}, fixes, Settings())
    assert len(offered) == 2
    assert [s.outcome for s in mended.steps if s.name == "shrink"] == ["declined"]


def test_what_waits_for_others_is_offered_the_part_as_often_as_they_change_it_and_asked_for_it_still_is() -> None:
    """It is asked for by the maker alone, and can begin only where four pushes have brought the part."""
    offered: list[float] = []
    free = Promise(skin_max=None, skin_p99=None, volume="any")

    def late(job: Job) -> Shaped:
        offered.append(float(job.part.vertices[:, 0].min()))
        if offered[-1] < 4:
            raise NotYet("push it to the shelf first")
        return Shaped(job.part.with_mesh(job.part.vertices + 10, job.part.faces), free, "took it off the shelf")

    def nudge(job: Job) -> Shaped:
        return Shaped(job.part.with_mesh(job.part.vertices + np.array([1, 0, 0]), job.part.faces), free, "nudged it")

    short = rule(91, None, fix="nudge")

    def find(extent: Survey) -> Iterator[Finding]:
        if extent.low[0] < 4:  # type: ignore[attr-defined]
            yield short.finding("too much", float(4 - extent.low[0]))  # type: ignore[attr-defined]

    short.function = find
    fixes = {
        "late": Fix("late", Touch.SKIN, "", on_demand=True, function=late),
        "nudge": Fix("nudge", Touch.SKIN, "", function=nudge),
    }
    mended = mend(part_of(CUBE), {91: short}, fixes, Settings(steps=("late",)))
    assert offered == [0.0, 1.0, 2.0, 3.0, 4.0]
    assert [s.outcome for s in mended.steps if s.name == "late"] == ["declined", "done"]
