"""What a file or its name holds cannot steer the reader's screen, and numbers read as people write them."""

from __future__ import annotations

import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lint.report.plain import amount, listed, many, measured_text, number, path_text, shown
from lint.rooms import rooms
from tests.reports import EVIL


def test_control_and_turning_characters_are_spelled_out() -> None:
    said = shown(EVIL)
    assert "\\x1b[2J" in said
    assert "\\u202e" in said
    assert "\\x0a" in said
    assert said.isprintable()


def test_words_of_every_script_stay() -> None:
    for word in ("nez-de-troll", "übergroß", "鼻", "می\u200cخواهم", "носовой", "👩\u200d🎨"):
        assert shown(word) == word


def test_bytes_that_are_no_text_are_shown() -> None:
    assert shown("troll\udcff.stl") == "troll\\xff.stl"


@given(st.text())
def test_whatever_comes_in_is_one_printable_line(text: str) -> None:
    assert len(shown(text).splitlines()) <= 1
    assert all(c.isprintable() or c in "\u200c\u200d" or unicodedata.category(c) == "Zs" for c in shown(text))
    shown(text).encode("utf-8")


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (0.314159, "0.314"), (12.3456, "12.3"), (12.0, "12"), (312.44, "312.4"), (41216.0, "41,216"), (-0.05, "-0.05"), (1e-9, "0"),
     (float("inf"), "beyond measure"), (float("nan"), "not a number"), (99.96, "100"), (0.000123, "0.000123")],
)  # fmt: skip
def test_numbers(value: float, text: str) -> None:
    assert number(value) == text


def test_phrases() -> None:
    assert listed(["a"]) == "a"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert listed([]) == ""
    assert many(1, "stop") == "1 stop"
    assert many(1200, "stop") == "1,200 stops"
    assert amount(3, "mm") == "3 mm"
    assert amount(3, "") == "3"


def test_a_path_below_the_current_folder_is_told_from_there(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert path_text(tmp_path / "shelf" / "a.stl") == str(Path("shelf") / "a.stl")
    assert path_text(Path("/elsewhere/a.stl")) == "/elsewhere/a.stl"


@pytest.mark.parametrize(
    ("number", "case", "measured", "limit", "words", "text"),
    [
        (3, "needle", 4, 0.000459, {"length": "mm"}, "measured 4 faces"),
        (3, "collapsed", 1, None, {}, "measured 1 face"),
        (74, "pictures", 2, 0, {"which": "troll.png"}, "measured 2 pieces, limit 0 pieces"),
        (4, "open", 3.5, None, {"edges": 3}, "measured 3.5 mm"),
    ],
)
def test_a_length_is_not_called_a_limit_of_a_count(
    number: int, case: str, measured: float, limit: float | None, words: dict[str, object], text: str
) -> None:
    assert measured_text(rooms()[number].finding(case, measured, limit, **words)) == text
