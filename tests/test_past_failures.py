"""What once went wrong, each as small as it could be made: it must not again."""

from __future__ import annotations

import resource
import sys

import pytest

from corpus import solids
from lint import measure
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import Outcome, PartReport
from lint.ticket import PartTable, PrintTable, Ticket, UseTable
from tests.test_any_mesh import check, part_of

FACTS = Ticket(
    part=PartTable(body="hand", units="mm"), print=PrintTable(bed=(220.0, 220.0, 250.0)),
    use=UseTable(mould="rigid", pull=(1.0, 1.0, 0.0), wall=3.0, margin=25.0, clay=8.0),
)  # fmt: skip


def why(report: PartReport, number: int) -> str:
    return next(r.why for r in report.rules if r.number == number)


@pytest.mark.parametrize("times", [1e3, 1e4, 1e6, 1e9])
@pytest.mark.parametrize("process", ["extrusion", "resin"])
def test_a_part_read_in_the_wrong_unit_takes_no_more_memory(times: float, process: str) -> None:
    """The land was sampled every half millimetre around a base of a kilometre: 20 GB."""
    foot = solids.fused(solids.box((60, 60, 10)), solids.box((20, 20, 30), (20, 20, 5)))
    facts = Ticket(part=FACTS.part, print=PrintTable(process=process, bed=FACTS.print.bed), use=FACTS.use)  # type: ignore[arg-type]
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    check((foot[0] * times, foot[1]), facts)
    taken = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / (1024 * 1024 if sys.platform == "darwin" else 1024)
    assert taken < 600, f"{taken:.0f} MiB"


@pytest.mark.parametrize("size", [(20, 20, 1e-9), (20, 1e-9, 1e-9), (1e6, 1e-3, 1e-3), (1e-9, 1e-9, 1e-9)])
def test_a_part_as_thin_as_a_sheet_or_a_thread(size: tuple[float, float, float]) -> None:
    """The grid for depths was spaced by the volume, which is next to nothing: a million points each way."""
    for process in ("extrusion", "resin"):
        check(solids.box(size) if min(size) > 1e-6 else (solids.box((1, 1, 1))[0] * size, solids.box((1, 1, 1))[1]),
              Ticket(part=FACTS.part, print=PrintTable(process=process), use=FACTS.use))  # type: ignore[arg-type]  # fmt: skip


def test_a_pull_of_no_direction_is_no_fact() -> None:
    """It was divided by its length."""
    facts = Ticket(part=FACTS.part, use=UseTable(mould="rigid", pull=(0.0, 0.0, 0.0)))
    report = check(solids.ball(12, level=2), facts)
    assert "no direction" in why(report, 51)
    assert 71 in {f.rule for f in report.findings}


def test_too_little_memory_is_no_bug_and_never_clean(monkeypatch: pytest.MonkeyPatch) -> None:
    """It was told as a bug of ours."""
    def land() -> None:
        raise MemoryError

    monkeypatch.setitem(measure.known(), "land", land)
    report = examine(part_of(solids.box((60, 60, 10)), FACTS), all_rules(), gather(FACTS, rules=all_rules()))
    broke = {r.number: r.why for r in report.rules if r.outcome is Outcome.BROKE}
    assert 53 in broke
    assert all("not enough memory" in said and "bug" not in said for said in broke.values()), broke
