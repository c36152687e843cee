"""JUnit XML: a suite per part, a case per rule, so that a build server can show a shelf of parts as it shows tests.

failure: the rule found something at or above the line; error: the part could not be read or the rule broke (ours);
skipped: the rule was not run, with the reason as text. No owner standard exists; the dialect is the one of the Jenkins XSD.
"""

from __future__ import annotations

import xml.etree.ElementTree as Tree
from collections.abc import Iterable

from lint.report.data import path_data
from lint.report.plain import limit_text, measured_text, place_text, shown
from lint.terms import Finding, Outcome, PartReport, Report, RuleResult


def render(report: Report) -> str:
    """The whole report as XML text, ending in a line break."""
    suites = [_suite(part, report) for part in report.parts]
    root = Tree.Element("testsuites", {"name": "buckwright", **_sums(suites)})
    root.extend(suites)
    Tree.indent(root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + Tree.tostring(root, encoding="unicode") + "\n"


def _sums(suites: Iterable[Tree.Element]) -> dict[str, str]:
    suites = tuple(suites)
    totals = {name: str(sum(int(s.get(name, "0")) for s in suites)) for name in ("tests", "failures", "errors")}
    return {**totals, "time": f"{sum(float(s.get('time', '0')) for s in suites):.3f}"}


def _suite(part: PartReport, report: Report) -> Tree.Element:
    name = shown(path_data(part.path))
    cases = [_case(name, result, part, report) for result in part.rules]
    if part.unreadable is not None:
        cases.insert(0, _case_of(name, "the part can be judged", 0.0))
        Tree.SubElement(cases[0], "error", type="unreadable", message=shown(part.unreadable)).text = shown(part.unreadable)
    counts = {word: sum(1 for c in cases if c.find(tag) is not None) for word, tag in
              (("failures", "failure"), ("errors", "error"), ("skipped", "skipped"))}  # fmt: skip
    numbers = {word: str(count) for word, count in counts.items()}
    suite = Tree.Element("testsuite", {"name": name, "tests": str(len(cases)), "time": f"{part.seconds:.3f}", **numbers})
    properties = Tree.SubElement(suite, "properties")
    for word, value in _facts(part, report):
        Tree.SubElement(properties, "property", name=word, value=shown(value))
    suite.extend(cases)
    return suite


def _facts(part: PartReport, report: Report) -> list[tuple[str, str]]:
    facts = [("tool", f"buckwright {report.version}"), ("edition", str(report.edition)), ("line", report.line.word)]
    if part.part is not None:
        facts += [("sha256", part.part.source.sha256), ("faces", str(part.faces)), ("units", part.part.units or "unknown")]
    if part.extents is not None:
        facts.append(("extents_mm", " ".join(f"{v:.3f}" for v in part.extents)))
    return facts


def _case_of(suite: str, name: str, seconds: float) -> Tree.Element:
    return Tree.Element("testcase", classname=suite, name=shown(name), time=f"{seconds:.3f}")


def _case(suite: str, result: RuleResult, part: PartReport, report: Report) -> Tree.Element:
    case = _case_of(suite, f"rule {result.number}, {result.name}", result.seconds)
    found = [f for f in part.findings if f.rule == result.number]
    bad = [f for f in found if f.counts and f.weight >= report.line]
    other = [f for f in found if f not in bad]
    if result.outcome is Outcome.NOT_RUN:
        Tree.SubElement(case, "skipped").text = shown(result.why)
    elif result.outcome is Outcome.BROKE:
        Tree.SubElement(case, "error", type="broke", message=shown(result.why)).text = shown(result.why)
    elif bad:
        failure = Tree.SubElement(case, "failure", type=bad[0].weight.word, message=shown(bad[0].message))
        limits = [f"limits: {', '.join(shown(limit_text(n, u)) for n, u in result.limits.items())}"] if result.limits else []
        failure.text = "\n".join([*(_line(f, part) for f in bad), *limits])
    if other:
        Tree.SubElement(case, "system-out").text = "\n".join(_line(f, part) for f in other)
    return case


def _line(finding: Finding, part: PartReport) -> str:
    pieces = [f"{finding.weight.word}: {finding.message}", measured_text(finding)]
    if finding.place is not None:
        pieces.append(place_text(finding.place, "mm" if part.extents else ""))
    if finding.accepted is not None:
        pieces.append(f"accepted: {finding.accepted}")
    if finding.trial:
        pieces.append("on trial, not counted")
    return shown("; ".join(pieces))
