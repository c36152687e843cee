"""The catalogue of rules as text, made from the rooms themselves; `python -m lint.report.catalogue` puts it in the README."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Mapping
from pathlib import Path

from lint.report.advice import first_sentence
from lint.report.plain import amount
from lint.terms import Fix, Rule

BEGIN, END = "<!-- rules -->", "<!-- /rules -->"


def table(rules: Mapping[int, Rule], fixes: Mapping[str, Fix]) -> str:
    """The list for a terminal, 80 columns wide or less: number, name, weight, and the fix with its touch."""
    lines = ["  no.  name                     weight   fix"]
    for rule in rules.values():
        lines.append(f"{rule.number:>5}  {rule.name:<24} {rule.weight.word:<8} {_mends(rule, fixes)}".rstrip())
    lines += ["", "buckwright rules 4    shows the page of rule 4"]
    return "\n".join(lines) + "\n"


def _mends(rule: Rule, fixes: Mapping[str, Fix]) -> str:
    if rule.retired is not None:
        return f"retired: {rule.retired}"
    fix = fixes.get(rule.fix or "")
    return f"{fix.name} ({fix.touch.word}{', when asked for' if fix.on_demand else ''})" if fix else "by hand"


def page(rule: Rule, fixes: Mapping[str, Fix]) -> str:
    """One rule's page with its limits and its fix, as plain text."""
    lines = [f"rule {rule.number}, {rule.name} ({rule.weight.word}, edition {rule.since})", "", rule.page]
    if rule.limits:
        lines += ["", "The numbers:"]
        for name, limit in rule.limits.items():
            value = "from the settings" if callable(limit.default) else amount(limit.default, limit.unit)
            lines += textwrap.wrap(f"{name}: {value}; {limit.basis}", 100, initial_indent="  ", subsequent_indent="    ")
    fix = fixes.get(rule.fix or "")
    if fix is not None:
        lines += ["", *textwrap.wrap(f"The fix, {fix.name}, {fix.does}. It touches the {fix.touch.word}.", 100)]
    return "\n".join(lines) + "\n"


def readme_table(rules: Mapping[int, Rule], fixes: Mapping[str, Fix]) -> str:
    """The list as a Markdown table."""
    lines = ["| no. | name | weight | what it says | fix (touch) |", "|---|---|---|---|---|"]
    for rule in rules.values():
        says = first_sentence(rule.page.split("\n", 1)[0]).partition(": ")[2] or rule.name
        lines.append(f"| {rule.number} | {rule.name} | {rule.weight.word} | {says} | {_mends(rule, fixes)} |".replace("by hand |", "- |"))
    return "\n".join(lines) + "\n"


def with_table(readme: str, rows: str) -> str:
    """The README with the table between its marks. Raises ValueError when the marks are missing."""
    before, begin, rest = readme.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError(f"the README has no {BEGIN} and {END}")
    return f"{before}{BEGIN}\n{rows}{END}{after}"


def main() -> int:
    """Write the table into README.md of the folder we stand in."""
    from lint.rooms import all_fixes, all_rules

    path = Path("README.md")
    old = path.read_text(encoding="utf-8")
    new = with_table(old, readme_table(all_rules(), all_fixes()))
    path.write_text(new, encoding="utf-8")
    print("README.md: the table of rules is new" if new != old else "README.md: nothing to change")
    return 0


if __name__ == "__main__":
    sys.exit(main())
