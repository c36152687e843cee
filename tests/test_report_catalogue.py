"""The README's table of rules is the rooms' own: nobody keeps it by hand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from lint.report.catalogue import BEGIN, END, main, readme_table, with_table
from lint.rooms import all_fixes, all_rules
from tests.reports import RULES

README = Path(__file__).resolve().parents[1] / "README.md"


def test_the_readme_has_the_table_as_the_rooms_tell_it() -> None:
    text = README.read_text(encoding="utf-8")
    assert with_table(text, readme_table(all_rules(), all_fixes())) == text, "run: python -m lint.report.catalogue"


def test_the_table_names_every_rule_with_its_fix() -> None:
    table = readme_table(RULES, {})
    assert [int(n) for n in re.findall(r"^\| (\d+) \|", table, flags=re.M)] == list(RULES)
    assert "| 4 | open edge | stop | the fault in one plain sentence | - |" in table
    real = readme_table(all_rules(), all_fixes())
    for number, rule in all_rules().items():
        fix = all_fixes().get(rule.fix or "")
        row = next(line for line in real.splitlines() if line.startswith(f"| {number} |"))
        assert f"| {rule.name} | {rule.weight.word} |" in row
        assert row.endswith(f"| {fix.name} ({fix.touch.word}{', when asked for' if fix.on_demand else ''}) |" if fix else "| - |")
        assert row.count("|") == 6


def test_the_command_writes_it_and_a_second_run_changes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    Path("README.md").write_text(f"above\n{BEGIN}\nstale\n{END}\nbelow\n")
    assert main() == 0
    first = Path("README.md").read_text()
    assert first.startswith(f"above\n{BEGIN}\n| no. |")
    assert first.endswith(f"{END}\nbelow\n")
    assert "stale" not in first
    main()
    assert Path("README.md").read_text() == first


def test_marks_must_be_there() -> None:
    with pytest.raises(ValueError, match="no <!-- rules -->"):
        with_table("no marks", "rows")
