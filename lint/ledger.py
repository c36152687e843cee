"""The ledger: findings a shop has accepted, each with a reason and, if it likes, a last day.

A mesh has no line numbers: its face numbers are reshuffled by every export. So an accepted finding is known by its rule, its case
and its spot in millimetres from the part's own low corner, and is matched one to one to the nearest finding of the same rule and case
within a stated distance. An entry that matches nothing has been paid and is reported, so that it can be taken out; one whose
last day has passed counts again. Counts are never kept: with counts, one fault mended and another made would cancel unseen.
"""

from __future__ import annotations

import datetime
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import numpy as np

from lint.terms import BadInput, Finding, FloatArray, PartReport
from lint.ticket import Accepted, Ledger

# A re-export in 32 bits, moved by metres, shifts a spot by well under this; neighbouring faults lie farther apart.
NEAR_MM = 1.0
# A finding that reaches far has a middle that wanders with every re-meshing: allow a share of its reach as well.
NEAR_SHARE_OF_REACH = 0.05


@dataclass(frozen=True)
class Reconciled:
    """Reports with accepted findings marked; entries that matched nothing (paid) and those past their last day (expired)."""

    reports: tuple[PartReport, ...]
    paid: tuple[Accepted, ...]
    expired: tuple[Accepted, ...]


def spot_of(finding: Finding, report: PartReport) -> tuple[float, float, float] | None:
    """Where a finding is, from the part's own low corner; None when the finding has no place."""
    if finding.place is None or report.low is None:
        return None
    x, y, z = np.asarray(finding.place.centre) - np.asarray(report.low)
    return (round(float(x), 3), round(float(y), 3), round(float(z), 3))


def key_of(path: Path, root: Path) -> str:
    """How a part is called in the ledger: its path from the ledger's folder, with forward slashes."""
    try:
        return PurePosixPath(path.resolve().relative_to(root.resolve())).as_posix()
    except ValueError:
        raise BadInput(f"{path}: it is not under {root}, where the ledger is; keep one ledger for each shelf") from None


def reconcile(reports: Iterable[PartReport], ledger: Ledger, root: Path, today: datetime.date) -> Reconciled:
    """Mark the findings that the ledger accepts. Raises BadInput for an entry whose last day is no date.

    Only entries of the parts reported on are judged: a part that was not looked at has paid nothing.
    """
    expired: list[Accepted] = []
    standing: dict[str, list[Accepted]] = {}
    for entry in ledger.accepted:
        last = _last_day(entry)
        if last is not None and last < today:
            expired.append(entry)
        else:
            standing.setdefault(entry.part, []).append(entry)
    marked: list[PartReport] = []
    paid: list[Accepted] = []
    seen: set[str] = set()
    for report in reports:
        key = key_of(report.path, root)
        seen.add(key)
        entries = standing.get(key, [])
        if not entries:
            marked.append(report)
            continue
        pairs = match(entries, report)
        reasons = {finding: entries[entry].because for entry, finding in pairs}
        findings = tuple(replace(f, accepted=reasons[i]) if i in reasons else f for i, f in enumerate(report.findings))
        marked.append(replace(report, findings=findings))
        if report.unreadable is None:
            used = {entry for entry, _ in pairs}
            judged = {r.number for r in report.rules if r.outcome in ("clean", "found")}
            paid += [e for i, e in enumerate(entries) if i not in used and e.rule in judged]
    return Reconciled(tuple(marked), tuple(paid), tuple(e for e in expired if e.part in seen))


def match(entries: Sequence[Accepted], report: PartReport) -> list[tuple[int, int]]:
    """Pairs (entry, finding) of one part: same rule and case, nearest first, each used once, none farther than allowed."""
    pairs: list[tuple[int, int]] = []
    kinds = {(e.rule, e.case) for e in entries}
    for kind in sorted(kinds):
        ours = [i for i, e in enumerate(entries) if (e.rule, e.case) == kind]
        theirs = [i for i, f in enumerate(report.findings) if (f.rule, f.case) == kind]
        distance = _distances([entries[i] for i in ours], [report.findings[i] for i in theirs], report)
        while distance.size and np.isfinite(distance).any():
            a, b = np.unravel_index(int(np.argmin(distance)), distance.shape)
            pairs.append((ours[int(a)], theirs[int(b)]))
            distance[a, :] = distance[:, b] = np.inf
    return pairs


def _distances(entries: Sequence[Accepted], findings: Sequence[Finding], report: PartReport) -> FloatArray:
    """(entries, findings) distances in mm; infinite where too far, or where only one of the two has a place."""
    table = np.full((len(entries), len(findings)), np.inf)
    for column, finding in enumerate(findings):
        spot = spot_of(finding, report)
        for row, entry in enumerate(entries):
            if spot is None and entry.spot is None:
                table[row, column] = 0.0
            elif spot is not None and entry.spot is not None and finding.place is not None:
                away = float(np.linalg.norm(np.subtract(spot, entry.spot)))
                if away <= NEAR_MM + NEAR_SHARE_OF_REACH * min(entry.reach, finding.place.reach):
                    table[row, column] = away
    return table


def entry_for(finding: Finding, report: PartReport, root: Path, because: str, until: datetime.date | None = None) -> Accepted:
    """The ledger's entry for one finding. Raises BadInput when the reason is empty."""
    if not because.strip():
        raise BadInput("an accepted finding needs a reason: --because \"...\"")
    return Accepted(
        part=key_of(report.path, root),
        rule=finding.rule,
        case=finding.case,
        because=because.strip(),
        spot=spot_of(finding, report),
        reach=round(finding.place.reach, 3) if finding.place is not None else 0.0,
        until=until.isoformat() if until is not None else None,
    )


def entries_for(
    reports: Iterable[PartReport], root: Path, because: str, *, rules: Collection[int] | None = None, until: datetime.date | None = None
) -> list[Accepted]:
    """Entries for every finding (of some rules, or of all) that is not accepted yet. Raises BadInput for an empty reason."""
    return [
        entry_for(finding, report, root, because, until)
        for report in reports
        for finding in report.findings
        if finding.counts and (rules is None or finding.rule in rules)
    ]


def without(ledger: Ledger, gone: Iterable[Accepted]) -> Ledger:
    """The ledger without some entries (paid ones)."""
    leave = {id(e) for e in gone}
    return Ledger(accepted=[e for e in ledger.accepted if id(e) not in leave])


def _last_day(entry: Accepted) -> datetime.date | None:
    if entry.until is None:
        return None
    try:
        return datetime.date.fromisoformat(entry.until)
    except ValueError:
        raise BadInput(f"ledger.toml: until = {entry.until!r} for {entry.part}: write a day as 2027-03-31") from None
