"""The terminal report: grouped, worst first, three places a rule, what to do next, and a last line that counts what it hid."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from lint.report import mending, terminal
from lint.report.advice import advise, cautions, first_sentence, section
from lint.report.tally import exit_text, tally
from lint.terms import Fix, Mended, Outcome, Report, RuleResult, StepResult, Touch, Weight, Zone
from tests.reports import EVIL, PAGE, RULES, broke_report, finding, full_report, part, part_report

FIXES = {
    "close": Fix("close", Touch.SKIN, "closes holes"),
    "drain": Fix("drain", Touch.INSIDE, "bores drain holes", on_demand=True),
    "key": Fix("key", Touch.SKIN, "sets keys", on_demand=True),
}


def said(report: Report, **more: object) -> str:
    return terminal.render(report, RULES, FIXES, **more)  # type: ignore[arg-type]


def test_worst_first_three_places_and_the_rest_counted() -> None:
    text = said(full_report())
    order = [text.index(f"{name} (rule {n})") for n, name in ((4, "open edge"), (30, "thin wall"), (13, "coarse skin"), (54, "no keys"))]
    assert order == sorted(order)
    assert [f"open for {k}0 mm" in text for k in (5, 4, 3, 2, 1)] == [True, True, True, False, False]
    assert "and 2 more" in text
    assert "open edge (rule 4), 5 places" in text


def test_the_last_lines_count_everything_and_say_what_the_exit_means() -> None:
    *_, last, code = said(part_only(full_report())).splitlines()
    joined = " ".join(said(part_only(full_report())).splitlines()[-4:])
    assert "1 part: 6 stops, 1 caution and 2 notes" in joined
    assert "2 rules not run" in joined
    assert "not counted: 3 below the line (stop), 1 accepted in the ledger, 1 by rules on trial" in joined
    assert code == "exit 1: something is a stop"
    assert last


def part_only(report: Report) -> Report:
    return dataclasses.replace(report, parts=report.parts[:1])


def test_nothing_in_a_name_reaches_the_terminal() -> None:
    text = said(full_report())
    assert "\x1b" not in text
    assert "\u202e" not in text
    assert all(line.isprintable() or not line for line in text.split("\n"))
    assert "\\x1b[2J" in text


@pytest.mark.parametrize("width", [40, 60, 80, 120])
def test_no_line_is_wider_than_asked(width: int) -> None:
    text = said(full_report("the-nose-of-the-third-troll-as-scanned-on-a-wet-tuesday-by-nobody-in-particular.stl"), width=width)
    assert max(map(len, text.splitlines())) <= width


def test_colour_only_sets_words_heavier() -> None:
    plain, heavy = said(full_report()), said(full_report(), colour=True)
    assert "\x1b[" in heavy
    assert re.sub(r"\x1b\[[0-9;]*m", "", heavy) == plain
    codes = {c for run in re.findall(r"\x1b\[([0-9;]*)m", heavy) for c in run.split(";")}
    assert codes <= {"0", "1", "2", "3", "4", "7", ""}, "bold, dim, slanted, underlined, reversed; no colour"


def test_an_unreadable_part_is_one_line_and_the_rest_goes_on() -> None:
    text = said(full_report("troll.stl"))
    assert "not judged it ends in the middle of a face" in " ".join(text.split())
    assert "clean 1 rule found nothing" in " ".join(text.split())
    assert text.splitlines()[-1] == "exit 2: the job could not be done: 1 part could not be judged"


def test_a_broken_rule_is_told_as_ours() -> None:
    text = said(broke_report())
    assert "broke rule 4, open edge: ValueError" in " ".join(text.split())
    assert "bug of buckwright" in text
    assert text.splitlines()[-1].startswith("exit 2")


def test_the_caution_stands_once_with_the_finding_it_concerns() -> None:
    text = said(full_report())
    assert text.count("sand it wet") == 1
    assert text.index("thin wall (rule 30)") < text.index("sand it wet") < text.index("coarse skin (rule 13)")
    assert "sand it wet" not in said(Report((part_report(findings=(finding(4),)),), 1, "0"))


def test_accepted_and_trial_findings_are_shown_with_their_reason_and_call_for_nothing() -> None:
    report = Report((part_report(findings=(finding(37, accepted="it drips on purpose"), finding(4, trial=True))),), 1, "0")
    text = said(report)
    assert "because it drips on purpose" in " ".join(text.split())
    assert "on trial" in text
    assert "what to do next" not in text
    assert report.exit_code() == 0


def test_advice() -> None:
    advice = advise(full_report().parts[0], RULES, FIXES)
    assert list(advice.mends) == ["close"]
    assert list(advice.asks) == ["key"]
    assert advice.hands == dict.fromkeys((30, 13), "cut it away with a knife. Then look again")
    assert list(advice.facts.values()) == [(23,)]
    assert "body" in next(iter(advice.facts))


def test_a_stop_that_names_a_fix_on_demand_that_runs_for_stops_is_mended_unasked() -> None:
    fixes = {"drain": dataclasses.replace(FIXES["drain"], for_stop=True)}
    stop, caution = part_report(findings=(finding(37),)), part_report(findings=(finding(37, weight=Weight.CAUTION),))
    assert list(advise(stop, RULES, fixes).mends) == ["drain"]
    assert list(advise(caution, RULES, fixes).asks) == ["drain"]


def test_what_to_do_next_gives_the_command_as_it_is_typed() -> None:
    text = said(full_report("my troll.stl"))
    assert "buckwright fix 'my troll.stl' --to 'my troll.buck.3mf'" in " ".join(text.split())
    assert "--step key" in text


def test_sections_of_a_page() -> None:
    page = PAGE.format(name="Thin wall") + "\nCaution: dust. Wear a mask.\n"
    assert section(page, "What mends it") == "cut it away with a knife. Then look again."
    assert section(page, "Caution") == "dust. Wear a mask."
    assert section(page, "Nothing") == ""
    assert first_sentence("go to 3.5 mm, e.g. here (or there). Then stop.") == "go to 3.5 mm, e.g. here (or there)"
    assert cautions(full_report().parts[0], RULES) == {30: "resin dust harms the lungs: sand it wet"}


@pytest.mark.parametrize(
    ("measured", "limit", "message", "said_again"),
    [(0.269, 0.1, "they stand 0.27 mm off (the nozzle hides 0.10)", False), (0.269, 0.1, "they stand 0.26 mm off 0.1", True),
     (1234.4, None, "1,234 mm long", False), (-92.32, 0.0, "92.32 mm below 0", False), (5.0, 15.0, "5 of 150", True)],
)  # fmt: skip
def test_numbers_in_the_sentence_are_not_said_again(measured: float, limit: float | None, message: str, said_again: bool) -> None:
    text = said(Report((part_report(findings=(finding(4, measured, limit, message=message),)),), 1, "0"))
    assert ("measured " in text.replace("measures what", "")) is said_again


def test_what_several_parts_share_is_said_once() -> None:
    why = "the ticket does not say which body part it is"
    missing = RuleResult(23, "not life-size", Outcome.NOT_RUN, why, missing="part.body")
    other = RuleResult(38, "suction cup", Outcome.NOT_RUN, "it is for resin printing", missing="process=resin")
    one, two = part_report("a.stl", (finding(13),), (missing,)), part_report("b.stl", (finding(13), finding(4)), (missing, other))
    text = said(Report((one, two), 1, "0"))
    joined = " ".join(text.split())
    assert joined.count(why) == 1
    assert f"rule 23, on none of the 2: {why}" in joined
    assert "say in the tickets of 2: [part] body" in joined
    assert joined.count("cut it away with a knife") == 1
    assert "by hand rule 13, on 2: cut it away" in joined
    assert "not run rule 38: it is for resin printing" in joined
    assert "2 parts: 1 stop, 0 cautions and 2 notes; 3 rules not run" in joined


def test_exit_words() -> None:
    assert exit_text(Report((), 1, "0")) == "exit 2: the job could not be done: no part was found"
    assert exit_text(Report((part_report(),), 1, "0", Weight.CAUTION)) == "exit 0: nothing that is a caution or stop"
    assert tally([part_report(findings=(finding(13),))], Weight.NOTE).below == 0


def mended(*steps: StepResult, broke: bool = False, left: bool = False) -> Report:
    before = part_report(findings=(finding(4), finding(13)))
    after = part_report(findings=(finding(4),) if left else ())
    done = Mended(before, after, part(), steps, broke)
    return Report((after,), 1, "0", Weight.STOP, done)


DONE = StepResult("close", Touch.SKIN, "done", "closed 2 holes", 0.021, 0.004, 0.1, 80.0,
                  (Zone("box", "the patches"),), ("gloves on",), np.eye(4))  # fmt: skip
HELD = StepResult("key", Touch.SKIN, "held back", "it touches the skin, and only record is allowed")


def test_a_fix_says_what_it_did_what_moved_and_what_is_left() -> None:
    text = mending.render(mended(DONE, HELD), RULES, FIXES, written=(Path("a.3mf"), Path("a.3mf.record.json")))
    joined = " ".join(text.split())
    assert "close done; touches the skin" in joined
    assert "called for by rule 4 (open edge)" in joined
    assert "besides that move, the skin moved at most 0.021 mm, 99 of 100 points at most 0.004 mm (not counting: the patches)" in joined
    assert "take care: gloves on" in joined
    assert "key held back; touches the skin" in joined
    assert "before: 1 stop, 0 cautions and 1 note; after: 0 stops, 0 cautions and 0 notes" in joined
    assert "wrote a.3mf and a.3mf.record.json" in joined
    assert text.splitlines()[-1] == "exit 0: nothing that is a stop"


def test_a_stop_left_is_said_plainly() -> None:
    text = " ".join(mending.render(mended(DONE, left=True), RULES, FIXES, written=(Path("a.3mf"),)).split())
    assert "1 stop is left: the part was written all the same" in text
    assert text.endswith("exit 1: something is a stop")


def test_a_broken_promise_writes_nothing() -> None:
    broke = dataclasses.replace(DONE, outcome="promise broke", why="it promised to move the skin at most 0.000 mm")
    text = " ".join(mending.render(mended(broke, broke=True, left=True), RULES, FIXES).split())
    assert "close promise broke" in text
    assert "nothing was written" in text
    assert "exit 2: the job could not be done: a fix broke its promise, so nothing was written" in text


def test_nothing_to_mend_and_a_plan() -> None:
    assert "nothing to mend" in mending.render(mended(), RULES, FIXES, written=(Path("a.3mf"),))
    plan = " ".join(mending.render(mended(DONE), RULES, FIXES, plan=True).split())
    assert "close would be done" in plan
    assert "besides that move, measured on a copy, the skin moves at most 0.021 mm" in plan
    assert "nothing was written: this was only the plan" in plan


def test_evil_names_in_a_fix() -> None:
    report = mended(DONE)
    text = mending.render(report, RULES, FIXES, written=(Path(EVIL),))
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_lines_are_broken_as_another_program_breaks_them() -> None:
    """rich, on text without joiners, of which it loses letters."""
    import random

    from rich.console import Console
    from rich.text import Text

    from lint.report.sheet import wrapped

    console, dice = Console(width=80, _environ={}), random.Random(5)
    words = ["a", "bb", "troll", "heron-beak", "(1.0,", "漢字漢字", "é", "🙂", "  ", "a/way/to/a/file/that/fits/on/no/line.stl"]
    for number in range(400):
        text = " ".join(dice.choice(words if number % 2 else words[:5]) for _ in range(dice.randrange(1, 40))).lstrip()
        width = dice.choice([1, 2, 27, 40, 67, 107])
        theirs = [line.plain.rstrip() for line in Text(text).wrap(console, width, overflow="fold")] if width > 2 else None
        ours = wrapped(text, width)
        assert theirs is None or ours == theirs
        assert "".join("".join(ours).split()) == "".join(text.split()), "no letter is lost"


def test_drafts_written_too_early_are_written_anew() -> None:
    """What all parts share may be shared no longer once the last is judged; what is shown is as if there had been no draft."""
    idle = (RuleResult(24, "too big for the bed", Outcome.NOT_RUN, "nobody said how large the bed is", missing="print.bed"),)
    early = [part_report(name, (finding(4, 10.0),), idle) for name in ("heron.stl", "troll.stl")]
    shared = []
    for last in (part_report("king.stl", (), idle), part_report("king.stl"), part_report("king.stl", (finding(13),))):
        drafts = terminal.Drafts(RULES, FIXES)
        drafts.write(early)
        report = Report((*early, last), 1, "0")
        text = terminal.render_drafted(report, drafts)
        assert text == terminal.render(report, RULES, FIXES)
        shared.append("on none of the 3" in text)
    assert shared == [True, False, False]
