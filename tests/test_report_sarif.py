"""SARIF 2.1.0 against its published schema, and against the rules of the text that no schema holds (clauses named)."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any
from urllib.parse import unquote, urlsplit

import pytest

from lint.report import sarif
from lint.terms import PartReport, Report
from tests.reports import EVIL, RULES, SCHEMAS, broke_report, finding, full_report, part_report

REPORTS = {"full": full_report(), "broke": broke_report(), "empty": Report((), 1, "0.1.0"), "clean": Report((part_report(),), 1, "0.1.0")}


def said(report: Report) -> dict[str, Any]:
    run: dict[str, Any] = json.loads(sarif.render(report, RULES))["runs"][0]
    return run


@pytest.mark.parametrize("name", REPORTS)
def test_valid_by_the_schema(name: str) -> None:
    path = SCHEMAS / "npm_microsoft-jest-sarif_sarif-2.1.0-rtm.5.json"
    if not path.is_file():
        pytest.skip("the published SARIF schema is absent")
    import jsonschema

    schema = json.loads(path.read_text(encoding="utf-8"))
    jsonschema.Draft4Validator(schema).validate(json.loads(sarif.render(REPORTS[name], RULES)))


@pytest.mark.parametrize("name", REPORTS)
def test_the_rules_of_the_text(name: str) -> None:
    run = said(REPORTS[name])
    rules = run["tool"]["driver"]["rules"]
    assert len({r["id"] for r in rules}) == len(rules)
    kinds = {"pass", "open", "informational", "notApplicable", "review", "fail"}
    for result in run["results"]:
        assert result["kind"] in kinds
        assert (result["level"] == "none") == (result["kind"] != "fail"), "3.27.10"
        assert rules[result["ruleIndex"]]["id"] == result["ruleId"], "3.27.6"
        assert "fingerprints" not in result, "3.27.16"
        assert all(re.fullmatch(r"\w+/v\d+", name) for name in result["partialFingerprints"]), "3.27.17: names are versioned"
        assert isinstance(result["suppressions"], list), "3.27.23: all null or all not"
        assert all(s["kind"] == "external" and s["status"] == "accepted" and s["justification"] for s in result["suppressions"])
        assert "fixes" not in result, "3.55: a mesh fix is no replacement of bytes"
        assert len(result["locations"]) == 1, "3.27.12"
        for location in result["locations"]:
            check_physical(location["physicalLocation"], run)
        check_uri(result["analysisTarget"], run)
    keys = [(r["ruleId"], r["analysisTarget"]["uri"], r["partialFingerprints"][sarif.FINGERPRINT]) for r in run["results"]]
    assert len(set(keys)) == len(keys), "every finding can be told from every other"
    invocation = run["invocations"][0]
    assert invocation["executionSuccessful"] == (invocation["exitCode"] != 2)


def check_physical(physical: dict[str, Any], run: dict[str, Any]) -> None:
    check_uri(physical["artifactLocation"], run)
    region = physical.get("region")
    if region is not None:
        assert set(region) == {"byteOffset", "byteLength"}, "3.30.3: a binary region has no lines"
        length = run["artifacts"][physical["artifactLocation"]["index"]]["length"]
        assert region["byteOffset"] >= 0
        assert region["byteOffset"] + region["byteLength"] <= length


def check_uri(location: dict[str, Any], run: dict[str, Any]) -> None:
    text = location["uri"]
    assert re.fullmatch(r"[A-Za-z0-9\-._~%/:]*", text), "RFC 3986: only unreserved characters, escapes and slashes"
    assert not re.search(r"%(?![0-9A-F]{2})", text)
    parts = urlsplit(text)
    if parts.scheme:
        assert parts.scheme == "file"
    else:
        assert location["uriBaseId"] in run["originalUriBaseIds"]
        assert ":" not in text.split("/")[0], "RFC 3986 4.2: a colon in the first segment would read as a scheme"
        assert not text.startswith("/")
    assert run["artifacts"][location["index"]]["location"]["uri"] == text


def test_one_result_per_finding_and_one_per_rule_not_run() -> None:
    run = said(full_report())
    failed = [r for r in run["results"] if r["kind"] == "fail"]
    assert [r["ruleId"] for r in failed].count("4") == 5
    by_rule = {r["ruleId"]: r for r in run["results"]}
    assert by_rule["38"]["kind"] == "notApplicable"
    assert by_rule["23"]["kind"] == "open"
    assert by_rule["51"]["kind"] == "informational"
    assert by_rule["37"]["suppressions"][0]["justification"].startswith("the tin king drips")
    levels = {r["ruleId"]: r["level"] for r in failed}
    assert (levels["4"], levels["13"]) == ("error", "note")
    assert "1" not in by_rule, "a clean rule has nothing to say"


def test_the_whole_file_unless_one_face_of_a_binary_stl() -> None:
    run = said(full_report("troll.stl"))
    regions = [r["locations"][0]["physicalLocation"].get("region") for r in run["results"] if r["ruleId"] == "30"]
    assert {"byteOffset": 84 + 50 * 2, "byteLength": 50} in regions
    assert None in regions
    assert all("region" not in r["locations"][0]["physicalLocation"] for r in run["results"] if r["ruleId"] == "4")
    other = said(Report((part_report("troll.ply", (finding(30, faces=[2]),)),), 1, "0"))
    assert "region" not in other["results"][0]["locations"][0]["physicalLocation"]


def test_a_part_that_cannot_be_read_and_a_rule_that_broke_are_notifications() -> None:
    run = said(full_report("a.stl"))
    (notification,) = run["invocations"][0]["toolExecutionNotifications"]
    assert notification["level"] == "error"
    assert notification["message"]["text"] == "bad a.stl: it ends in the middle of a face"
    (broke,) = said(broke_report())["invocations"][0]["toolExecutionNotifications"]
    assert broke["associatedRule"] == {"id": "4", "index": 0}
    assert said(broke_report())["results"] == []


def test_names_are_escaped_and_come_back_whole() -> None:
    report = Report((part_report(f"shelf one/{EVIL.replace('/', '')}:2.stl"),), 1, "0")
    location = said(report)["artifacts"][0]["location"]
    assert unquote(location["uri"]) == f"shelf one/{EVIL.replace('/', '')}:2.stl"
    assert "\x1b" not in sarif.render(report, RULES)


def test_a_path_from_elsewhere_is_a_file_uri(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    here = tmp_path / "here"
    here.mkdir()
    monkeypatch.chdir(here)
    assert sarif.uri(tmp_path / "a b.stl") == (f"file://{tmp_path.as_posix()}/a%20b.stl", False)
    assert sarif.uri(Path("../a b.stl")) == (f"file://{tmp_path.as_posix()}/a%20b.stl", False)
    assert sarif.uri(here / "a b.stl") == ("a%20b.stl", True)


def moved(report: PartReport, by: float) -> Report:
    import dataclasses

    assert report.low is not None
    low = tuple(v + by for v in report.low)
    places = [dataclasses.replace(f.place, centre=tuple(c + by for c in f.place.centre)) for f in report.findings if f.place]
    findings = tuple(dataclasses.replace(f, place=p) for f, p in zip(report.findings, places, strict=True))
    return Report((dataclasses.replace(report, low=low, findings=findings),), 1, "0")  # type: ignore[arg-type]


def test_a_moved_part_keeps_its_fingerprints_and_a_moved_spot_does_not() -> None:
    def prints(report: Report) -> list[str]:
        return [r["partialFingerprints"][sarif.FINGERPRINT] for r in said(report)["results"]]

    first = part_report(findings=(finding(4, at=(1.0, 2.0, 3.0)), finding(4, at=(5.5, 2.0, 3.0))))
    assert prints(moved(first, 0.0)) == prints(moved(first, 1000.1)) == prints(moved(first, -0.3333333))
    other = part_report(findings=(finding(4, at=(1.0, 4.0, 3.0)), finding(4, at=(5.5, 2.0, 3.0))))
    assert prints(moved(other, 0.0))[0] != prints(moved(first, 0.0))[0]
    assert prints(moved(other, 0.0))[1] == prints(moved(first, 0.0))[1]
