"""The words of a page: facts, findings, steps and advice of one part as HTML, and the controls of the picture."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from lint.report.advice import Advice
from lint.report.plain import UNIT_WORDS, listed, many, measured_text, number, place_text
from lint.report.tally import not_run_reasons, rules_text
from lint.report.terminal import fix_command, in_the_words
from lint.terms import Finding, Fix, Mended, Outcome, PartReport, Place, Report, StepResult
from lint.view.frame import source, text

_MEANS = {
    "stop": "do not print before this is mended",
    "caution": "look, and decide",
    "note": "good to know",
}
_PATTERN = {"stop": "crossed lines", "caution": "lines one way", "note": "dots"}


def sentence(words: str) -> str:
    """Words with a capital letter and a full stop."""
    return f"{words[:1].upper()}{words[1:]}" + ("" if words.endswith((".", "!", "?")) else ".")


def legend_html() -> str:
    """What the three weights mean and how each is drawn."""
    items = "".join(
        f'<li><span class="swatch {word}" aria-hidden="true"></span><b>{word}</b>: {means}. Drawn as {_PATTERN[word]}.</li>'
        for word, means in _MEANS.items()
    )
    return f'<ul class="legend" aria-label="What the words mean">{items}</ul>'


def facts_html(part: PartReport, caption: str = "") -> str:
    """Faces, size, units and where the facts came from, as the fields of a card."""
    unit = part.part.length_unit if part.part is not None else "mm"
    fields = [("faces", f"{part.faces:,}")]
    if part.extents is not None:
        fields.append((f"size, {unit}", " x ".join(f"{v:,.1f}" if v >= 1 else f"{v:.4g}" for v in part.extents)))
    units = part.part.units if part.part is not None else None
    said = f", from {part.part.units_from}" if part.part is not None and part.part.units_from else ""
    fields.append(("units of the file", f"{UNIT_WORDS[units]}{said}" if units else "unknown"))
    if part.volume is not None and part.part is not None and part.part.units is not None:
        fields.append(("volume, cm3", number(part.volume / 1000)))
    fields += [("besides", note) for note in part.notes]
    items = "".join(f"<div><dt>{text(name)}</dt><dd>{text(value)}</dd></div>" for name, value in fields)
    head = f'<p class="caption">{text(caption)}</p>' if caption else ""
    return f'<div class="facts">{head}<dl>{items}</dl></div>'


def findings_html(
    findings: Sequence[Finding], part: PartReport, benches: Mapping[int, str], safety: Mapping[int, str], *,
    room: int, pinned: bool, side: int = 0, first: int = 1,
) -> str:  # fmt: skip
    """The findings of a part by rule, numbered from `first` on. pinned: there is a picture to show the place on, as part `side` of it."""
    broke = "".join(f"<p><b>Broke</b>, rule {r.number}, {text(r.name)}: {text(r.why)}</p>" for r in part.ended[Outcome.BROKE])
    if not findings:
        clean = part.ended[Outcome.CLEAN]
        return broke or f'<p class="clean"><b>Clean:</b> {many(len(clean), "rule")} found nothing.</p>'
    groups: list[str] = []
    for rule in dict.fromkeys(f.rule for f in findings):
        mine = [(k, f) for k, f in enumerate(findings, first) if f.rule == rule]
        worst = max(f.weight for _, f in mine)
        why = f'<p class="why">{text(sentence(benches[rule]))}</p>' if benches.get(rule) else ""
        care = f'<p class="care"><b>Take care:</b> {text(safety[rule])}</p>' if rule in safety else ""
        items = "".join(_finding(k, f, part, room, side, pinned, f.weight != worst) for k, f in mine)
        said = f"{worst.word}: {mine[0][1].name}"
        groups.append(
            f'<section class="rule" data-said="{text(said)}"><h3><span class="weight {worst.word}">{worst.word}</span> '
            f'{text(mine[0][1].name)} <span class="rule-number">rule {rule}</span></h3>{why}<ol class="found">{items}</ol>{care}</section>'
        )
    return broke + "".join(groups)


def _finding(k: int, finding: Finding, part: PartReport, room: int, side: int, pinned: bool, lighter: bool) -> str:
    unit = part.part.length_unit if part.part is not None else "mm"
    message = text(sentence(f"{finding.weight.word}: {finding.message}" if lighter else finding.message))
    where = [] if in_the_words(finding) else [measured_text(finding)]
    where += [place_text(finding.place, unit)] if finding.place is not None else []
    said = f'<p class="where">{text(", ".join(where))}</p>' if where else ""
    aside = ""
    if finding.accepted is not None:
        aside = f'<p class="aside">Accepted, not counted: {text(finding.accepted)}</p>'
    elif finding.trial:
        aside = '<p class="aside">On trial, not counted.</p>'
    buttons = ""
    if pinned and finding.place is not None:
        buttons += _go(finding.place, f"Show place {k}", room, side, k)
    for what, place in finding.related:
        where_else = f"{what}: {place_text(place, unit)}"
        buttons += f'<p class="where">{text(where_else)}</p>' + (_go(place, f"Show {what}", room, side, None) if pinned else "")
    return (
        f'<li value="{k}" id="place-{room}-{k}"><span class="tag {finding.weight.word}" aria-hidden="true">{k}</span>'
        f'<div><p>{message}</p>{said}{aside}{buttons}</div></li>'
    )


def _go(place: Place, words: str, room: int, side: int, k: int | None) -> str:
    if not all(map(math.isfinite, (*place.centre, place.reach))):
        return ""
    centre = ",".join(repr(float(v)) for v in place.centre)
    which = f' data-number="{k}"' if k is not None else ""
    return (
        f'<button type="button" class="go" data-room="{room}" data-side="{side}"{which} data-centre="{centre}" '
        f'data-reach="{float(place.reach)!r}" hidden>{text(words)}</button>'
    )


def advice_html(part: PartReport, advice: Advice) -> str:
    """What to do next with one part."""
    if not advice:
        return ""
    items = []
    if advice.mends:
        called = sorted({f.rule for found in advice.mends.values() for f in found})
        items.append(f"<b>Mend:</b> <code>{text(fix_command(part.path))}</code> tries {text(listed(tuple(advice.mends)))} for "
                     f"{rules_text(called)}, measures what came of it, and leaves your file alone.")  # fmt: skip
    for name, found in advice.asks.items():
        rules = listed(tuple(dict.fromkeys(f"{f.name} (rule {f.rule})" for f in found)))
        items.append(f"<b>Or ask:</b> add <code>--step {text(name if ' ' not in name else repr(name))}</code> for {text(rules)}: "
                     "it waits for your word.")  # fmt: skip
    items += [
        f"<b>Say in the ticket:</b> <code>{text(line)}</code>; then {rules_text(numbers)} can be judged."
        for line, numbers in advice.facts.items()
    ]
    items += [f"<b>By hand</b>, rule {rule}: {text(how)}." for rule, how in advice.hands.items()]
    return f'<section class="next"><h3>What to do next</h3><ul>{"".join(f"<li>{item}</li>" for item in items)}</ul></section>'


def untold_html(part: PartReport) -> str:
    """What could not be judged, and why."""
    items = "".join(
        f"<li>{text(rules_text(r.number for r in results))} ({text(listed(tuple(r.name for r in results)))}): {text(why)}</li>"
        for why, results in not_run_reasons(part).items()
    )
    return f'<details class="untold"><summary>What could not be judged</summary><ul>{items}</ul></details>' if items else ""


def steps_html(mended: Mended, fixes: Mapping[str, Fix], plan: bool) -> str:
    """What was done, step by step, with how far each moved the skin."""
    if not mended.steps:
        return "<h2>What was done</h2><p>There was nothing to mend.</p>"
    items = "".join(_step(step, fixes, plan) for step in mended.steps)
    return f'<h2>{"What would be done" if plan else "What was done"}</h2><ol class="steps">{items}</ol>'


def _step(step: StepResult, fixes: Mapping[str, Fix], plan: bool) -> str:
    outcome = "would be done" if plan and step.outcome == "done" else step.outcome
    lines = [f"<p><b>{text(step.name)}</b>: {text(outcome)}; touches the {step.touch.word}</p>"]
    if step.outcome != "done" and step.name in fixes:
        lines.append(f'<p class="why">{text(fixes[step.name].does)}</p>')
    if step.why:
        lines.append(f"<p>{text(step.why)}</p>")
    if step.moved_max is not None and step.outcome == "done" and not any(z.kind == "all" for z in step.zones):
        share = f", 99 of 100 points at most {step.moved_p99:.3f} mm" if step.moved_p99 is not None else ""
        zones = f" (not counting: {'; '.join(dict.fromkeys(z.why for z in step.zones))})" if step.zones else ""
        besides = "Besides that move, the skin" if step.transform is not None else "The skin"
        how_far = f"moved at most {step.moved_max:.3f} mm{share}" if step.moved_max >= 0.0005 else "stayed where it was"
        lines.append(f'<p class="where">{besides} {how_far}{text(zones)}.</p>')
    lines += [f'<p class="care"><b>Take care:</b> {text(caution)}</p>' for caution in step.cautions]
    return f"<li>{''.join(lines)}</li>"


def tools_html(report: Report) -> str:
    """The picture that turns and what is done with it, once for the whole page; shown by the script, which brings it to its part."""
    pair = report.mended is not None
    scene = report.mended.after.scene if report.mended is not None else None
    names = '<div class="names" aria-hidden="true"><span>before</span><span>after</span></div>' if pair else ""
    moved = ""
    if scene is not None and scene.moved is not None:
        steps = [scene.scale * k / 5 for k in range(6)]
        bands = "".join(f'<li><span class="swatch band{k}" aria-hidden="true"></span>{number(steps[k])} to {number(steps[k + 1])} mm</li>'
                        for k in range(5))  # fmt: skip
        moved = (
            "<fieldset><legend>Movement of the skin</legend>"
            '<button type="button" data-moved aria-pressed="false">Show how far it moved</button>'
            f'<ul class="bands" hidden>{bands}<li><span class="swatch band5" aria-hidden="true"></span>'
            f"over {number(scene.scale)} mm: skin that is new, such as a base or a closed rim, or that moved farther</li></ul></fieldset>\n"
        )
    return source("tools.html").replace("{names}", names).replace("{moved}", moved)
