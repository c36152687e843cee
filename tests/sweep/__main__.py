"""`python -m tests.sweep FOLDER [--variants N] [--seed S] [--jobs 1] [--json FILE]`: one line a mesh, then the rate."""

from __future__ import annotations

import argparse
import dataclasses
import json
from collections.abc import Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from tests.sweep import Case, Verdict
from tests.sweep.run import Bounds, as_found, judged, planted
from tests.sweep.tickets import STEPS
from tests.sweep.variants import MOST_FACES


def line_of(v: Verdict) -> str:
    """One line of the table, and what was not done below it."""
    moved = "" if v.moved_p99 is None else f"p99 {v.moved_p99:.4f} max {v.moved_max:.3f}"
    kept = "" if v.kept is None else f"{100 * v.kept:.0f} %"
    text = f"{v.outcome:<8} {v.name:<38} {v.faces:>6} {v.seconds:>6.1f} s {v.peak_mib:>6.0f} MiB  {moved:<24} {kept:>5}  {v.planted}"
    return "\n".join([text, *([f"         {v.why}"] if v.why else []), *(f"         not done: {u}" for u in v.undone)])


def rate(verdicts: Iterable[Verdict]) -> str:
    """The counts, and each as a share."""
    every = list(verdicts)
    count = {o: sum(v.outcome == o for v in every) for o in ("fixed", "refused", "wrong")}
    return ", ".join(f"{o} {n} of {len(every)} ({100 * n / max(len(every), 1):.1f} %)" for o, n in count.items())


def sweep(cases: Iterator[Case], bounds: Bounds, jobs: int, keep: Path | None) -> Iterator[Verdict]:
    """The verdicts in the order of the cases, `jobs` at a time."""
    if jobs == 1:
        yield from (judged(case, bounds, keep) for case in cases)
        return
    with ThreadPoolExecutor(jobs) as pool:
        yield from pool.map(lambda case: judged(case, bounds, keep), cases)


def main() -> None:
    """Print the table and the rate."""
    parser = argparse.ArgumentParser(prog="python -m tests.sweep", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--variants", type=int, default=0, help="so many meshes with planted faults, instead of the folder as it is")
    parser.add_argument("--first", type=int, default=0, help="leave out the variants before this one")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--kind", default="", help="only this kind of fault")
    parser.add_argument("--faces", type=int, default=MOST_FACES, help="variants are planted on copies thinned to so many faces")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--steps", default=",".join(STEPS), help="the steps that the ticket asks for")
    parser.add_argument("--only", default="", help="only meshes with this in their name")
    parser.add_argument("--deadline", type=float, default=600.0, help="seconds of a core for one mesh")
    parser.add_argument("--memory", type=float, default=8.0, help="GiB for one mesh")
    parser.add_argument("--json", type=Path, help="write the verdicts here")
    parser.add_argument("--keep", type=Path, help="a folder in which inputs and outputs stay")
    asked = parser.parse_args()
    steps = tuple(s for s in asked.steps.split(",") if s)
    if asked.variants:
        cases = planted(asked.folder, asked.variants, asked.seed, steps, asked.kind, asked.faces)
    else:
        cases = as_found(asked.folder, steps)
    chosen = (c for k, c in enumerate(cases) if asked.only in c.name and (not asked.variants or k >= asked.first))
    verdicts = []
    for verdict in sweep(chosen, Bounds(asked.deadline, asked.memory), asked.jobs, asked.keep):
        print(line_of(verdict), flush=True)
        verdicts.append(verdict)
        if asked.json:
            asked.json.write_text(json.dumps([dataclasses.asdict(v) for v in verdicts], indent=1), encoding="utf-8")
    print(rate(verdicts))


if __name__ == "__main__":
    main()
