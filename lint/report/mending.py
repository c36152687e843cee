"""The terminal report of a fix: each step with what it moved, what is left, and what was written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from lint.report.advice import advise
from lint.report.plain import listed, many, path_text
from lint.report.sheet import Sheet
from lint.report.tally import Tally, exit_text, rules_text, tally
from lint.report.terminal import show_advice, show_head, show_part
from lint.terms import Finding, Fix, Mended, Report, Rule, StepResult


def render(
    report: Report,
    rules: Mapping[int, Rule],
    fixes: Mapping[str, Fix],
    *,
    written: Sequence[Path] = (),
    plan: bool = False,
    width: int = 80,
    colour: bool = False,
) -> str:
    """The whole fix as text for a terminal, ending in a line break. written: the files that now exist; plan: none were wanted."""
    assert report.mended is not None
    mended = report.mended
    sheet = Sheet(width, colour)
    show_head(sheet, mended.before)
    sheet.line()
    if not mended.steps:
        sheet.line("nothing to mend", "bold", indent=2)
    for step in mended.steps:
        _show_step(sheet, step, mended, fixes, plan)
    sheet.line()
    sheet.line("what would be left" if plan else "what is left", "bold")
    sheet.line()
    show_part(sheet, mended.after, rules)
    if not mended.broke and not plan:
        show_advice(sheet, mended.after, advise(mended.after, rules, {n: f for n, f in fixes.items() if f.on_demand}))
    sheet.line()
    before, after = tally([mended.before], report.line), tally([mended.after], report.line)
    sheet.line(f"before: {before.weights_text()}; after: {after.weights_text()}")
    _show_end(sheet, report, after, written, plan)
    return sheet.text()


def _show_step(sheet: Sheet, step: StepResult, mended: Mended, fixes: Mapping[str, Fix], plan: bool) -> None:
    outcome = "would be done" if plan and step.outcome == "done" else step.outcome
    sheet.entry(step.name, f"{outcome}; touches the {step.touch.word}", "bold")
    if step.outcome != "done" and step.name in fixes:
        sheet.more(fixes[step.name].does, "dim")
    sheet.more(step.why)
    called = [f for f in mended.before.findings if f.fix == step.name and f.counts]
    if called:
        sheet.more(f"called for by {_callers(called)}", "dim")
    if any(z.kind == "all" for z in step.zones):
        pass  # it says that it changes everything: there is no still skin to measure
    elif step.moved_max is not None and step.outcome == "done":
        p99 = f", 99 of 100 points at most {step.moved_p99:.3f} mm" if step.moved_p99 is not None else ""
        zones = "" if not step.zones else f" (not counting: {'; '.join(dict.fromkeys(z.why for z in step.zones))})"
        besides = "besides that move, " if step.transform is not None else ""
        word = f"{besides}measured on a copy, the skin moves" if plan else f"{besides}the skin moved"
        sheet.more(f"{word} at most {step.moved_max:.3f} mm{p99}{zones}", "dim")
    for caution in step.cautions:
        sheet.more(f"take care: {caution}", "italic")


def _callers(findings: Sequence[Finding]) -> str:
    numbers = dict.fromkeys(f.rule for f in findings)
    return f"{rules_text(numbers)} ({listed(tuple(dict.fromkeys(f.name for f in findings)))})"


def _show_end(sheet: Sheet, report: Report, after: Tally, written: Sequence[Path], plan: bool) -> None:
    if plan and written:
        sheet.line(f"wrote {listed(tuple(path_text(p) for p in written))} and no part: this was only the plan")
    elif plan:
        sheet.line("nothing was written: this was only the plan")
    elif written:
        sheet.line(f"wrote {listed(tuple(path_text(p) for p in written))}")
        if after.stops:
            sheet.line(f"{many(after.stops, 'stop')} {'is' if after.stops == 1 else 'are'} left: the part was written all the same, "
                       "but do not print it before you have looked")  # fmt: skip
    else:
        sheet.line("nothing was written")
    sheet.line(exit_text(report), "bold")
