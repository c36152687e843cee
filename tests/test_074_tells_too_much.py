from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from corpus import solids
from lint.mend import mend
from lint.rooms import all_fixes, all_rules
from lint.run import examine
from lint.settings import Settings
from lint.terms import Outcome, Part, Source

RULE = {74: all_rules()[74]}
SHELF = replace(Settings(), repository=True)


def part(**said: object) -> Part:
    return Part(*solids.box((1, 1, 1)), Source(Path("heron-mask.ply"), "ply", "", 0, **said))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    "text",
    [
        "scan of Ragna Steinvik",
        "author: Odd Troll",
        "exported from C:\\Users\\ragna\\faces",
        "/home/ragna/heron",
        "GPS: 61.25 N",
        "lat 61.2512, lon 7.03",
        "date of birth 1990-01-02",
        "name = Ragna",
        "ragna@theatre.example",
        "12 Heron Lane",
    ],
)
def test_telling_words_are_found_and_not_repeated(text: str) -> None:
    report = examine(part(texts=(("comment", text),)), RULE, SHELF)
    assert report.findings
    assert not any("agna" in f.message for f in report.findings)


@pytest.mark.parametrize(
    "text", ["made by hand for the tin king", "written by a script", "units: mm", "layer 3", "left ear, second casting", "binary stl, mm"]
)
def test_harmless_words_are_clean(text: str) -> None:
    assert not examine(part(texts=(("comment", text),)), RULE, SHELF).findings


def test_pictures_are_counted() -> None:
    (finding,) = examine(part(attachments=("skin_0.jpg", "skin_1.jpg", "skin.mtl")), RULE, SHELF).findings
    assert (finding.case, finding.measured) == ("pictures", 3)


def test_not_run_off_the_shelf() -> None:
    assert examine(part(attachments=("skin_0.jpg",)), RULE, Settings()).rules[0].outcome is Outcome.NOT_RUN


def test_strip_leaves_only_the_shape_and_then_has_nothing_to_do() -> None:
    telling = part(attachments=("skin_0.jpg",), texts=(("comment", "scan of Ragna Steinvik"),))
    mended = mend(telling, RULE, {"strip": all_fixes()["strip"]}, SHELF)
    assert [s.outcome for s in mended.steps] == ["done"]
    assert mended.part.source.attachments == ()
    assert mended.part.source.texts == ()
    assert not mended.after.findings
