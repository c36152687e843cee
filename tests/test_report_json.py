"""JSON, format 1: the contract of the fields, and text that every reader can read."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np

from lint.report import data
from lint.terms import Mended, Report, StepResult, Touch, Weight, Zone
from tests.reports import finding, full_report, part, part_report

PART = {"path", "sha256", "faces", "extents_mm", "units", "seconds", "rules", "findings"}
RULE = {"number", "name", "outcome", "why", "seconds"}
FINDING = {"rule", "name", "case", "weight", "measured", "limit", "unit", "place", "sampled", "fix", "accepted", "message"}


def said(report: Report) -> dict[str, Any]:
    def refuse(word: str) -> None:
        raise AssertionError(f"{word} is not JSON")

    loaded: dict[str, Any] = json.loads(data.render(report), parse_constant=refuse)
    return loaded


def test_the_fields_of_the_contract_are_there() -> None:
    report = said(full_report())
    assert report["format"] == 1
    assert report["tool"] == {"name": "buckwright", "version": "0.1.0", "edition": 1}
    assert report["exit"] == 2
    for part_said in report["parts"]:
        assert set(part_said) >= PART
        for rule in part_said["rules"]:
            assert set(rule) >= RULE
        for found in part_said["findings"]:
            assert set(found) >= FINDING


def test_values_come_through() -> None:
    first = said(full_report())["parts"][0]
    assert first["extents_mm"] == [10, 10, 10]
    worst = first["findings"][0]
    assert (worst["rule"], worst["weight"], worst["measured"], worst["limit"], worst["unit"]) == (4, "stop", 50, 0, "mm")
    assert worst["place"] == {"centre": [5, 0, 0], "reach": 2.5}
    limits = next(r["limits"] for r in first["rules"] if r["number"] == 4)
    assert limits == {"wall": {"value": 0.8, "unit": "mm", "set_by": "edition 1"}}
    assert first["settings"]["nozzle"] == {"value": 0.4, "set_by": "edition 1"}
    assert first["measured_seconds"] == {"edges": 0.1}


def test_what_is_beyond_measure_is_null() -> None:
    trial = next(f for f in said(full_report())["parts"][0]["findings"] if f["trial"])
    assert trial["measured"] is None
    assert trial["limit"] is None


def test_an_unreadable_part_says_so() -> None:
    bad = said(full_report("a.stl"))["parts"][1]
    assert bad["unreadable"] == "bad a.stl: it ends in the middle of a face"
    assert (bad["sha256"], bad["faces"], bad["rules"], bad["findings"]) == (None, None, [], [])


def test_paths_use_forward_slashes_and_odd_bytes_do_not_break_the_text() -> None:
    report = Report((part_report("shelf/tro\udcffll.stl"),), 1, "0")
    assert said(report)["parts"][0]["path"] == "shelf/tro\ufffdll.stl"
    data.render(report).encode("utf-8")


def test_a_fix_adds_steps_before_and_after() -> None:
    step = StepResult("seat", Touch.SKIN, "done", "seated", 0.02, 0.01, 1.5, 90.0,
                      (Zone("under", "the base", 1.0, ((0.0, 0.0, 0.0), (0.0, 0.0, 1.0))),), ("dust",), np.eye(4))  # fmt: skip
    after = part_report()
    report = Report((after,), 1, "0", Weight.STOP, Mended(part_report(findings=(finding(4),)), after, part(), (step,)))
    loaded = said(report)
    assert loaded["steps"] == [{
        "name": "seat", "touch": "skin", "outcome": "done", "why": "seated", "moved_max_mm": 0.02, "moved_p99_mm": 0.01, "seconds": 1.5,
        "peak_mib": 90.0, "cautions": ["dust"],
        "zones": [{"kind": "under", "why": "the base", "size": 1.0, "points": [[0, 0, 0], [0, 0, 1]], "chain": False}],
    }]  # fmt: skip
    assert len(loaded["before"]["findings"]) == 1
    assert loaded["after"]["findings"] == []
    assert loaded["placement"] == np.eye(4).tolist()
    assert loaded["parts"][0] == loaded["after"]


def test_a_path_below_the_current_folder_is_relative(tmp_path: Path, monkeypatch: Any) -> None:
    monkeypatch.chdir(tmp_path)
    assert data.path_data(tmp_path / "a b.stl") == "a b.stl"
