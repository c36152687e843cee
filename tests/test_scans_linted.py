"""Every real mesh through every rule: no rule breaks, and what is said agrees with what is known of the mesh.

`python -m tests.test_scans_linted` prints what is said of each, for a maker's eye.
"""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest

from lint.load import read
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import Outcome, PartReport
from lint.ticket import Ticket
from tests.scans import SCANS, needs_scans, scan

TICKET = '[part]\nunits = "mm"\n[use]\npull = [0.0, 0.0, 1.0]\nmould = "flexible"\nmargin = 25.0\n[print]\nbed = [220.0, 220.0, 250.0]\n'
# What a maker who knows the size would say: how many mm one of the file's numbers is. Files not named here are in mm.
MM_EACH = {
    "head_ears_multishell.obj": 10.0, "face_mask_open.obj": 10.0, "skull_lowres.obj": 10.0, "goat_head.obj": 10.0,
    "body_neutral.obj": 1000.0, "head_average_metres.ply": 1000.0, "hand_rigged_left.glb": 1000.0, "hand_closed.obj": 200.0,
    "hand_open_wrist_lowres.obj": 200.0, "bust_demosthenes_lowres.obj": 100.0, "defect_self_intersect_a.obj": 100.0,
}  # fmt: skip
LONG = {"bust_nefertiti_lowres.obj", "mask_hannya.ply", "angel_statue_photogrammetry.ply", "head_ears_multishell.obj"}


def names() -> list[str]:
    return [] if SCANS is None else sorted(p.name for p in SCANS.iterdir() if p.suffix in (".stl", ".obj", ".ply", ".glb"))


def linted(path: Path) -> PartReport:
    """The report of every rule on one file, taken in mm."""
    ticket = msgspec.toml.decode(TICKET, type=Ticket)
    part = read(path)
    scale = MM_EACH.get(path.name, 1.0) / (part.placement[0, 0] if part.units else 1.0)
    part = replace(part, vertices=part.vertices * scale, units="mm", units_from="the ticket", ticket=ticket,
                   placement=np.diag([scale, scale, scale, 1.0]) @ part.placement)  # fmt: skip
    rules = all_rules()
    return examine(part, rules, gather(ticket, rules=rules))


def _manifest() -> dict[str, dict[str, str]]:
    assert SCANS is not None
    with (SCANS / "manifest.tsv").open(encoding="utf-8") as file:
        return {row["file"]: row for row in csv.DictReader(file, delimiter="\t")}


@needs_scans
@pytest.mark.parametrize("name", [pytest.param(n, marks=pytest.mark.slow) if n in LONG else n for n in names()])
def test_no_rule_breaks_and_what_is_known_is_said(name: str) -> None:
    report = linted(scan(name))
    assert not [(r.number, r.why) for r in report.rules if r.outcome is Outcome.BROKE]
    assert all(np.isfinite(f.measured) for f in report.findings)
    assert all(f.place is None or np.isfinite([*f.place.centre, f.place.reach]).all() for f in report.findings)
    # The manifest was counted by other libraries, by hands that had no part in the rules.
    known, spoke = _manifest()[name], {f.rule for f in report.findings}
    assert (4 in spoke) == (int(known["open_edges"]) > 0)
    assert (5 in spoke) == (int(known["nonmanifold_edges"]) > 0)
    if int(known["self_intersecting"].split()[0]) == 0 and int(known["shells"]) == 1 and known["open_edges"] == "0":
        assert not spoke & {2, 4, 5, 7, 8, 9, 10, 11}
    if int(known["self_intersecting"].split()[0]) > 0:
        assert spoke & {9, 10}


def main() -> None:
    """Print what every rule says of every real mesh."""
    for name in names():
        report = linted(scan(name))
        print(f"\n{name}: {report.faces} faces, {report.seconds:.1f} s")
        said: dict[tuple[int, str], list[str]] = {}
        for finding in report.findings:
            said.setdefault((finding.rule, finding.case), []).append(finding.message)
        for (number, _), messages in sorted(said.items()):
            print(f"  {number:>2} x{len(messages):<3} {messages[0]}")
        for result in report.rules:
            if result.outcome is Outcome.BROKE or result.seconds > 5:
                print(f"  rule {result.number} {result.outcome}, {result.seconds:.1f} s {result.why}")


if __name__ == "__main__":
    main()
