"""A page: the whole report as one HTML file that needs nothing but itself, with the part to turn in the hand.

The words are all there without the script; the script adds the picture that turns. Nothing from a file or its name is taken for markup.
"""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping, Sequence
from pathlib import Path

from lint.report.advice import advise, cautions, first_sentence, section
from lint.report.page_words import (
    advice_html,
    facts_html,
    findings_html,
    legend_html,
    sentence,
    steps_html,
    tools_html,
    untold_html,
)  # fmt: skip
from lint.report.plain import many, number, path_text
from lint.report.tally import exit_text, hidden_text, tally
from lint.terms import Fix, PartReport, Report, Rule
from lint.view.frame import data, document, script, source, style, text
from lint.view.scene import Scene, in_order

MOST_BYTES = 24_000_000  # of pictures in one file, as they stand in it: a browser still opens it within seconds


def render(
    report: Report,
    rules: Mapping[int, Rule],
    fixes: Mapping[str, Fix],
    *,
    written: Sequence[Path] = (),
    plan: bool = False,
    besides: str = "",
) -> str:
    """The whole report as HTML, ending in a line break. For a fix, written: the files that now exist; plan: none were wanted;
    besides: one more thing to be said of it."""
    if report.mended is not None:
        title, body = _mended(report, rules, fixes, written, plan, besides)
    else:
        title, body = _linted(report, rules, fixes)
    head = f'<header class="card">\n<p class="maker">buckwright {text(report.version)}, edition {report.edition}</p>\n'
    light = (
        '<fieldset class="light" hidden><legend>Light</legend>'
        '<label><input type="radio" name="light" value="" checked> as this machine</label>'
        '<label><input type="radio" name="light" value="light"> light</label>'
        '<label><input type="radio" name="light" value="dark"> dark</label></fieldset>'
    )
    return document(
        title,
        f"{head}<h1>{text(title)}</h1>\n{light}\n</header>\n<main>\n{body}\n</main>\n{tools_html(report)}",
        scripts=(script(), source("card.js")),
        styles=(style(), source("card.css")),
    )


def _linted(report: Report, rules: Mapping[int, Rule], fixes: Mapping[str, Fix]) -> tuple[str, str]:
    parts = report.parts
    counts = tally(parts, report.line)
    hidden = hidden_text(counts, report.line)
    summed = f"{counts.weights_text()}; {_verdict(report)}" + (f"; not counted: {hidden}" if hidden else "")
    kept = embedded([p.scene for p in parts], [p.worst() or 0 for p in parts])
    body = [f'<p class="sum">{text(sentence(summed))}</p>', legend_html()]
    if len(parts) > 1:
        body.append(_contents(report))
    left = sum(1 for k, p in enumerate(parts) if p.scene is not None and k not in kept)
    if left:
        body.append(f'<p class="aside">To keep this file small enough to open, {many(left, "part")} of {len(parts)} '
                    f'{"is" if left == 1 else "are"} told in words only: the pictures of the parts with the heaviest findings '
                    "were kept. A page of one part alone always has its picture.</p>")  # fmt: skip
    body += [_part(k, p, rules, fixes, p.scene if k in kept else None) for k, p in enumerate(parts)]
    name = path_text(Path(parts[0].path.name)) if len(parts) == 1 else many(len(parts), "part")
    return f"What would go wrong with {name}", "\n".join(body)


def _verdict(report: Report) -> str:
    """The outcome in words; the exit code is for machines."""
    return exit_text(report).partition(": ")[2]


def embedded(scenes: Sequence[Scene | None], weights: Sequence[int]) -> frozenset[int]:
    """Which scenes go into the file: those of the heaviest findings first, in their order, until it is full."""
    kept, room = set(), MOST_BYTES
    for k in sorted(range(len(scenes)), key=lambda k: (-weights[k], k)):
        scene = scenes[k]
        if scene is not None and scene.size * 4 // 3 <= room:
            kept.add(k)
            room -= scene.size * 4 // 3
    return frozenset(kept)


def _contents(report: Report) -> str:
    rows = []
    for k, part in enumerate(report.parts):
        counts = tally([part], report.line)
        cells = "".join(f"<td>{n}</td>" for n in (counts.stops, counts.cautions, counts.notes, counts.not_run))
        if part.unreadable is not None:
            cells = '<td colspan="4">not judged</td>'
        rows.append(f'<tr><th scope="row"><a href="#part-{k}">{text(path_text(part.path))}</a></th>{cells}</tr>')
    heads = "".join(f'<th scope="col">{word}</th>' for word in ("part", "stop", "caution", "note", "not run"))
    return f'<div class="contents"><table><thead><tr>{heads}</tr></thead><tbody>{"".join(rows)}</tbody></table></div>'


def _part(k: int, part: PartReport, rules: Mapping[int, Rule], fixes: Mapping[str, Fix], scene: Scene | None) -> str:
    name = f'<h2 id="name-{k}">{text(path_text(part.path))}</h2>'
    if part.unreadable is not None:
        why = text(part.unreadable.removeprefix(f"{part.path}: "))
        return f'<section class="part" id="part-{k}" aria-labelledby="name-{k}">{name}<p><b>Not judged:</b> {why}</p></section>'
    findings = in_order(part.findings)
    words = [
        findings_html(findings, part, _benches(rules), cautions(part, rules), room=k, pinned=scene is not None),
        advice_html(part, advise(part, rules, fixes)),
        untold_html(part),
    ]
    sight = _sight(k, [(scene, part, path_text(Path(part.path.name)))]) if scene is not None else ""
    return (
        f'<section class="part" id="part-{k}" aria-labelledby="name-{k}">{name}{facts_html(part)}'
        f'<div class="bench"><div class="words">{"".join(words)}</div>{sight}</div></section>'
    )


def _benches(rules: Mapping[int, Rule]) -> dict[int, str]:
    """What each fault means at the bench, in a sentence."""
    return {number: first_sentence(section(rule.page, "At the bench")) for number, rule in rules.items()}


def _sight(k: int, rooms: Sequence[tuple[Scene, PartReport, str]]) -> str:
    """Where the picture of one part, or of two side by side, goes; with the stills that stand there without it."""
    figures = []
    for scene, _, name in rooms:
        for what, still in scene.stills:
            label, numbered = f"{name}: {what}", ", with its findings numbered as in the list" if name != "before" else ""
            figures.append(
                f'<figure class="still"><img alt="Drawing of {text(label)}{numbered}" '
                f'src="data:image/png;base64,{_base64(still)}"><figcaption>{text(label)}</figcaption></figure>'
            )
    shown = [f"{name}: {thinned}" for scene, _, name in rooms if (thinned := _thinned(scene))]
    content = {"rooms": [_room(scene, part, name) for scene, part, name in rooms], "notes": shown}
    return (
        f'<div class="sight" data-room="{k}">{"".join(figures)}'
        f'<button type="button" class="turn" data-room="{k}" hidden>Turn it in the hand</button>'
        f'<script type="application/json" id="scene-{k}">{data(json.dumps(content, ensure_ascii=False, allow_nan=False))}</script></div>'
    )


def _thinned(scene: Scene) -> str:
    if scene.shown > 0.9 * scene.whole:
        return ""
    return (f"drawn with {scene.shown:,} of its {scene.whole:,} faces, so what is drawn and measured here may lie up to "
            f"{number(scene.off)} mm off; the findings were made on the whole part")  # fmt: skip


def _room(scene: Scene, part: PartReport, name: str) -> dict[str, object]:
    return {
        "name": name,
        "mesh": _base64(scene.mesh),
        "patches": [{"number": p.number, "weight": p.weight, "ranges": p.runs} for p in scene.patches],
        "pins": [{"number": p.number, "weight": p.weight, "at": p.at, "reach": p.reach} for p in scene.pins],
        "bed": scene.bed,
        "pull": scene.pull,
        "to": scene.to,
        "moved": None if scene.moved is None else _base64(scene.moved),
        "scale": scene.scale,
        "unit": part.part.length_unit if part.part is not None else "mm",
    }


def _base64(content: bytes) -> str:
    return base64.b64encode(content).decode("ascii")


def _mended(
    report: Report, rules: Mapping[int, Rule], fixes: Mapping[str, Fix], written: Sequence[Path], plan: bool, besides: str
) -> tuple[str, str]:
    mended = report.mended
    assert mended is not None
    before, after = mended.before, mended.after
    counts = tally([before], report.line), tally([after], report.line)
    said = [f"before: {counts[0].weights_text()}; after: {counts[1].weights_text()}", _verdict(report)]
    if plan:
        said.append("nothing was written: this was only the plan")
    elif written:
        said.append("wrote " + ", ".join(path_text(p) for p in written))
        if counts[1].stops:
            said.append("something is still a stop: do not print it before you have looked")
    else:
        said.append("nothing was written")
    said += [besides] if besides else []
    was, left = in_order(before.findings), in_order(after.findings)
    both = before.scene is not None and after.scene is not None
    words = [
        steps_html(mended, fixes, plan),
        f"<h2>{'What would be left' if plan else 'What is left'}</h2>",
        findings_html(left, after, _benches(rules), cautions(after, rules), room=0, pinned=both, side=1),
        "" if mended.broke or plan else advice_html(after, advise(after, rules, {n: f for n, f in fixes.items() if f.on_demand})),
        untold_html(after),
        "<h2>What there was before</h2>",
        findings_html(was, before, _benches(rules), cautions(before, rules), room=0, pinned=both, side=0, first=len(left) + 1),
    ]
    sight = ""
    if before.scene is not None and after.scene is not None:
        sight = _sight(0, [(before.scene, before, "before"), (after.scene, after, "after")])
    summed = "".join(f"<p>{text(sentence(line))}</p>" for line in said)
    name = path_text(Path(before.path.name))
    return (
        f"What {'would be' if plan else 'was'} mended on {name}",
        f'<div class="sum">{summed}</div>{legend_html()}<section class="part" id="part-0" aria-label="The part, before and after">'
        f'<div class="facts-pair">{facts_html(before, "before")}{facts_html(after, "after")}</div>'
        f'<div class="bench"><div class="words">{"".join(words)}</div>{sight}</div></section>',
    )
