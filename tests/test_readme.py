"""Every command in the README is one that the program takes, and the recipes for a hosted CI are YAML that says what it means."""

from __future__ import annotations

import re
import shlex
from pathlib import Path
from typing import Any

import pytest

from lint.cli import parser

README = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")


def blocks(language: str) -> list[str]:
    return re.findall(rf"^```{language}\n(.*?)^```$", README, flags=re.M | re.S)


def commands(text: str) -> list[list[str]]:
    """The words after `buckwright` of each command in a shell text."""
    found = []
    for line in text.splitlines():
        for command in line.split("&&"):
            words = shlex.split(command, comments=True)
            if words and words[0].rpartition("/")[2] == "buckwright":
                found.append(words[1:])
    return found


def test_every_command_is_taken() -> None:
    said = [words for text in blocks("sh") for words in commands(text)]
    assert len(said) >= 9
    for words in said:
        parser().parse_args(words)


def test_options_spoken_of_in_passing_exist() -> None:
    text = re.sub(r"```.*?```", "", README, flags=re.S)
    known = {option for sub in parser()._subparsers._group_actions[0].choices.values() for option in sub._option_string_actions}  # type: ignore[union-attr, attr-defined]
    spoken = set(re.findall(r"`(--[a-z-]+)[ `]", text))
    assert {"--deadline", "--memory", "--allow", "--line"} <= spoken <= known


def steps(recipe: Any) -> list[str]:
    return [s["run"] for s in recipe["steps"]] if "steps" in recipe else recipe["parts"]["script"]


def test_the_recipes() -> None:
    yaml = pytest.importorskip("yaml")
    recipes = [yaml.safe_load(text) for text in blocks("yaml")]
    assert len(recipes) == 2
    for recipe in recipes:
        (words,) = commands("\n".join(steps(recipe)))
        said = parser().parse_args(words)
        assert said.command == "lint"
        assert said.changed_since == "origin/main"
        assert said.form in ("sarif", "junit")
        assert said.to is not None
    report = recipes[1]["parts"]["artifacts"]
    assert report["when"] == "always"
    assert report["reports"]["junit"] in steps(recipes[1])[-1]
