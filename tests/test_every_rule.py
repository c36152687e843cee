"""Every rule is held to the same: never edited for a new rule.

Room, specimen and test carry the same number; the page has its headings; the rule says exactly what its specimen expects;
moved by a metre, spun, renumbered and passed through float32 STL, it says the same; sound specimens stay clean.
"""

from __future__ import annotations

import re
import struct
from collections.abc import Callable
from pathlib import Path

import msgspec
import numpy as np
import pytest

import corpus
from corpus import Specimen
from lint import measure
from lint.rooms import RESERVED, all_fixes, all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import MM_PER_UNIT, Finding, Outcome, Part, PartReport, Rule, Source
from lint.ticket import Ticket

ROOT = Path(__file__).resolve().parents[1]
RULES = all_rules()
HEADINGS = ("At the bench:", "How it is measured:", "Limit:", "What mends it:", "When it is wrong:")

# The catalogue of edition 1 (the contract): numbers are permanent.
CATALOGUE = (*range(1, 15), *range(20, 25), *range(30, 40), *range(50, 57), *range(70, 75))

# Rules that speak of the file, the ticket or the shelf and not of the shape: a mesh alone cannot make them speak.
NOT_OF_THE_SHAPE = frozenset({1, 56, 70, 71, 72, 74})

Change = Callable[[Specimen], Specimen]


def part_of(specimen: Specimen, name: str = "specimen.stl") -> Part:
    """A Part as the loaders would make it: units from the ticket, millimetres inside."""
    ticket = msgspec.toml.decode(specimen.ticket, type=Ticket)
    units = ticket.part.units
    scale = MM_PER_UNIT[units] if units else 1.0
    return Part(
        np.array(specimen.vertices) * scale,
        np.array(specimen.faces),
        Source(Path(name), "stl", "0" * 64, 0),
        units=units,
        units_from="the ticket" if units else "",
        placement=np.diag([scale, scale, scale, 1.0]),
        ticket=ticket,
    )


def report_of(specimen: Specimen, only: int | None = None) -> PartReport:
    part = part_of(specimen)
    rules = RULES if only is None else {only: RULES[only], **{n: RULES[n] for n in RULES[only].after}}
    return examine(part, rules, gather(part.ticket, rules=RULES))


def said(report: PartReport, number: int) -> list[Finding]:
    return sorted((f for f in report.findings if f.rule == number), key=lambda f: (f.case, f.measured))


def _points(ticket: str, move: Callable[[np.ndarray], np.ndarray], turn: Callable[[np.ndarray], np.ndarray]) -> str:
    """The ticket with its points carried along and its directions turned."""

    def carry(match: re.Match[str]) -> str:
        numbers = np.array([float(x) for x in match[2].split(",")])
        out = turn(numbers) if match[1] in ("pull", "face", "away") else move(numbers)
        return f"{match[1]} = [{', '.join(repr(float(x)) for x in out)}]"

    return re.sub(r"^(from|to|pull|face|low|high|point|away) = \[([^\]]*)\]", carry, ticket, flags=re.M)


def moved(specimen: Specimen) -> Specimen:
    scale = MM_PER_UNIT[msgspec.toml.decode(specimen.ticket, type=Ticket).part.units or "mm"]
    shift = np.array([1000.0, -1000.0, 0.0]) / scale
    return _with(specimen, specimen.vertices + shift, ticket=_points(specimen.ticket, lambda p: p + shift, lambda d: d))


def spun(specimen: Specimen) -> Specimen:
    a = np.radians(37.0)
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    return _with(specimen, specimen.vertices @ turn.T, ticket=_points(specimen.ticket, lambda p: turn @ p, lambda d: turn @ d))


def renumbered(specimen: Specimen) -> Specimen:
    rng = np.random.default_rng(20)
    order = rng.permutation(len(specimen.vertices))
    back = np.argsort(order)
    faces = back[specimen.faces][rng.permutation(len(specimen.faces))]
    roll = rng.integers(0, 3, len(faces))
    faces = np.take_along_axis(faces, (np.arange(3)[None] + roll[:, None]) % 3, axis=1)
    return _with(specimen, specimen.vertices[order], faces)


def through_stl(specimen: Specimen) -> Specimen:
    """What a binary STL keeps: 32-bit corners, three to a face, and no sharing of points."""
    corners = specimen.vertices[specimen.faces].astype(np.float32).reshape(-1, 3)
    packed = struct.pack(f"<{corners.size}f", *corners.ravel().tolist())
    back = np.frombuffer(packed, dtype="<f4").reshape(-1, 3).astype(np.float64)
    return _with(specimen, back, np.arange(len(back)).reshape(-1, 3))


def _with(s: Specimen, vertices: np.ndarray, faces: np.ndarray | None = None, ticket: str | None = None) -> Specimen:
    return Specimen(s.what, vertices, s.faces if faces is None else faces, s.ticket if ticket is None else ticket, s.rule, s.expect, s.may)


CHANGES: dict[str, Change] = {
    "as it is": lambda s: s,
    "moved by a metre": moved,
    "spun": spun,
    "renumbered": renumbered,
    "through float32 STL": through_stl,
    "moved, spun, renumbered and through float32 STL": lambda s: through_stl(renumbered(spun(moved(s)))),
}


@pytest.fixture(scope="module")
def specimens() -> dict[str, Specimen]:
    return corpus.specimens()


FAULTS = [n for n in corpus.names() if n.startswith("fault_")]
SOUND = [n for n in corpus.names() if n.startswith("sound_")]


def test_the_catalogue_is_complete() -> None:
    assert set(CATALOGUE) == set(RULES)


@pytest.mark.parametrize("number", RULES)
def test_a_rule_has_its_page_its_specimen_and_its_test(number: int) -> None:
    rule = RULES[number]
    lines = rule.page.splitlines()
    at = [next((i for i, line in enumerate(lines) if line.startswith(h)), -1) for h in HEADINGS]
    assert -1 not in at, f"rule {number} lacks the heading {HEADINGS[at.index(-1)]!r}"
    assert at == sorted(at)
    assert rule.cases
    assert all(text[0] == text[0].lower() and not text.endswith(".") for text in rule.cases.values())
    assert [p.name for p in (ROOT / "tests").glob(f"test_{number:03}_*.py")], f"rule {number} has no test of its own"
    if number not in NOT_OF_THE_SHAPE:
        assert [n for n in FAULTS if n.startswith(f"fault_{number:03}_")], f"rule {number} has no specimen"


@pytest.mark.parametrize("number", RULES)
def test_a_rule_asks_only_for_what_there_is(number: int) -> None:
    rule = RULES[number]
    assert rule.function is not None
    assert all(w in RESERVED or w in measure.known() for w in measure.wants(rule.function))
    assert all((n in RULES and n < number) or n in RULES for n in rule.after)
    if rule.fix is not None:
        assert rule.fix in all_fixes(), f"rule {number} names the fix {rule.fix!r}, which does not exist"


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_is_found_as_expected(name: str, specimens: dict[str, Specimen]) -> None:
    specimen = specimens[name]
    assert specimen.rule == int(name.split("_")[1])
    found = said(report_of(specimen, specimen.rule), specimen.rule)
    expected = sorted(specimen.expect, key=lambda e: (e.case, e.measured))
    assert [f.case for f in found] == [e.case for e in expected], [f.message for f in found]
    for finding, expect in zip(found, expected, strict=True):
        assert finding.measured == pytest.approx(expect.measured, abs=expect.within), finding.message


@pytest.mark.parametrize("change", [c for c in CHANGES if c != "as it is"])
@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_stays_the_same_fault(name: str, change: str, specimens: dict[str, Specimen]) -> None:
    specimen = specimens[name]
    assert specimen.rule is not None
    was = said(report_of(specimen, specimen.rule), specimen.rule)
    now = said(report_of(CHANGES[change](specimen), specimen.rule), specimen.rule)
    assert [f.case for f in now] == [f.case for f in was]
    assert [f.weight for f in now] == [f.weight for f in was]
    for a, b in zip(was, now, strict=True):
        assert b.measured == pytest.approx(a.measured, rel=2e-3, abs=2e-3), (a.message, b.message)


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("name", SOUND)
def test_a_sound_specimen_stays_clean(name: str, change: str, specimens: dict[str, Specimen]) -> None:
    report = report_of(CHANGES[change](specimens[name]))
    assert not [r for r in report.rules if r.outcome is Outcome.BROKE], [r.why for r in report.rules]
    unexpected = [f"rule {f.rule}: {f.message}" for f in report.findings if f.rule not in specimens[name].may]
    assert not unexpected


def test_every_case_carries_its_number() -> None:
    """A sentence without the measured value cannot be checked at the bench."""
    without = [f"{r.number} {c}" for r in RULES.values() for c, text in r.cases.items() if "{" not in text]
    assert not without


def test_rules_name_their_limits_with_a_basis() -> None:
    def bad(rule: Rule) -> list[str]:
        return [f"{rule.number} {name}" for name, limit in rule.limits.items() if len(limit.basis) < 8 or not limit.unit]

    assert not [b for r in RULES.values() for b in bad(r)]
