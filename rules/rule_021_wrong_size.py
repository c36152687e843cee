"""Wrong size: a marked length does not measure what it truly is.

At the bench: the buck comes out too small or too large, and every appliance sculpted on it misses the actor by as much.
One part in a hundred is 2 mm on a hand.

How it is measured: the distance between the two marks of each [[length]] on the part, against its true length. If one scale
brings all of them right, that is one finding and names the scale, and the unit when the scale is that of a unit taken
for another. If no one scale does, each length that is off is named. Without units the numbers are read as
millimetres, as printing software does.

Limit: 1 % of the length, or 0.5 mm where that is more. 1 % is where calipers on the print would begin to disagree
(facts 3.6.12, derived from ISO 20685-1 and phone-scan studies), and twice the half percent a desktop printer itself errs (facts
1.6.1, shop guides). Below 50 mm the marks decide: set by hand they err by about 0.5 mm (facts 3.6.5, derived), and correcting by less
would only copy the slip of a finger. A mark that is off by more than 1 % but less than 0.5 mm is a note, never a clean bill.

What mends it: resize, by the one scale that fits all marks best. It touches the skin only by scaling the whole.

When it is wrong: when the mark is. Measure again with calipers, and mark a longer length; 100 mm or more makes the slip of the
mark small. `buckwright size --bar` and `--ball` fit a gauge instead of clicking, and are far surer than 0.5 mm.
"""

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from lint.measure.lengths import UNIT_WORDS, Lengths, best_scale, scale_of, times, unit_near
from lint.measure.shells import around_points
from lint.terms import MM_PER_UNIT, Finding, FloatArray, Limit, Part, Rule, Weight

rule = Rule(
    number=21,
    name="wrong size",
    weight=Weight.STOP,
    unit="%",
    cases={
        "scale": "{mark} measures {got:.2f} mm and is truly {true:g} mm, {measured:+.1f} % off (limit {limit:.1f} %): {times} makes the "
        "part true",
        "slip": "{mark} measures {got:.4g} mm and is truly {true:g} mm, {measured:+.1f} % off (limit {limit:.1f} %): {times} makes the "
        "part true, as if {numbers} had been read as {read}",
        "unit": "the file gives no unit; {mark} measures {got:.4g} and is truly {true:g} mm, so its numbers are {numbers}; read as "
        "millimetres it is {measured:+.1f} % off (limit {limit:.1f} %)",
        "one": "{mark} measures {got:.2f} mm and is truly {true:g} mm, {measured:+.1f} % off (limit {limit:.1f} %), and no one scale makes "
        "all marked lengths true",
        "mark": "{mark} measures {got:.2f} mm and is truly {true:g} mm, {measured:+.1f} % off: within what a mark set by hand errs "
        "({limit:.1f} %), so mark a longer length to be sure",
    },
    limits={
        "share": Limit(1.0, "%", "where calipers on the print begin to disagree, facts 3.6.12 (derived)"),
        "mark": Limit(0.5, "mm", "what two marks set by hand err together, facts 3.6.5 (derived)"),
    },
    needs=("length",),
    fix="resize",
)  # fmt: skip


@rule.find
def find(part: Part, lengths: Lengths, limits: Mapping[str, float]) -> Iterator[Finding]:
    """One finding when one scale explains all marked lengths; else one for each length that is off."""
    true, got = lengths.true, lengths.measured
    allowed = np.maximum(true * limits["share"] / 100, limits["mark"])
    past = np.abs(got - true) > allowed
    scale = best_scale(got, true)
    if (np.abs(scale * got - true) > allowed).any():
        for k in np.flatnonzero(past):
            yield _say("one", lengths, int(k), allowed, fix=None)
        return
    longest = int(true.argmax())
    if part.units is None:
        weight = Weight.STOP if past.any() else Weight.CAUTION
        yield _say("unit", lengths, longest, allowed, weight=weight, numbers=_numbers(scale * scale_of(part)))
    elif past.any():
        worst = longest if past[longest] else int(np.argmax(np.abs(got - true) / allowed))
        was = unit_near(scale * scale_of(part))
        now = unit_near(scale_of(part))
        if was is not None and was != now:
            read = UNIT_WORDS[now] if now else part.units
            yield _say("slip", lengths, worst, allowed, times=times(scale), numbers=UNIT_WORDS[was], read=read)
        else:
            yield _say("scale", lengths, worst, allowed, times=times(scale))
    elif abs(1 / scale - 1) > limits["share"] / 100:
        yield _say("mark", lengths, longest, allowed, weight=Weight.NOTE, fix=None)


def _say(
    case: str, lengths: Lengths, k: int, allowed: FloatArray, *, weight: Weight | None = None, fix: str | None = "", **words: Any
) -> Finding:
    got, true = float(lengths.measured[k]), float(lengths.true[k])
    return rule.finding(
        case,
        100 * (got / true - 1),
        100 * float(allowed[k]) / true,
        place=around_points(np.stack((lengths.start[k], lengths.end[k]))),
        weight=weight,
        fix=fix,
        mark=lengths.names[k],
        got=got,
        true=true,
        **words,
    )


def _numbers(mm: float) -> str:
    """What the file's own numbers are, when one of them is `mm` long."""
    unit = unit_near(mm)
    if unit is None:
        return f"{mm:.4g} mm each"
    besides = 100 * (MM_PER_UNIT[unit] / mm - 1)
    if abs(besides) < 0.05:
        return UNIT_WORDS[unit]
    return f"{UNIT_WORDS[unit]}, {abs(besides):.1f} % too {'small' if besides < 0 else 'large'}"
