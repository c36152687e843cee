"""`python -m tests.bench [--faces N ...] [--repeat 5] [--kind hand|head|ball]`: how long a lint takes, and against what.

Prints tables in markdown. Ratios are given by the clock, which is what a maker waits for and wants a quiet machine, and by CPU seconds,
which are nearly the same on a busy one. A lint uses the cores there are, as it does for a maker; the libraries' own threads are held back.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import sys
import tempfile
from pathlib import Path

import numpy as np

from lint import loops
from tests.bench import made, timed
from tests.scans import SCANS

KINDS = {"hand": "hand_closed.obj", "head": "headform_medium.stl"}
LARGE = 3_000_000  # faces; of larger meshes fewer runs are made
DEAR = 18  # measurements named in the table


def main() -> None:
    """Make the meshes, time everything in turn, print the tables."""
    parser = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    parser.add_argument("--faces", type=int, nargs="+", default=[10_000, 100_000, 1_000_000, 5_000_000])
    parser.add_argument("--repeat", type=int, default=5)
    parser.add_argument("--kind", choices=("ball", *KINDS), default="hand" if SCANS is not None else "ball")
    asked = parser.parse_args()
    print("\n".join(tables(asked.kind, asked.faces, asked.repeat)))


def tables(kind: str, sizes: list[int], repeat: int) -> list[str]:
    """The lines to print."""
    rows = [
        "| faces | lint s | CPU s | peak MB | (a) load + merge s | CPU s | lint / (a) | by CPU | same questions, ours s | CPU s "
        "| (b) trimesh s | CPU s | (b) / ours | by CPU | (c) one pass s |",
        "|" + "--:|" * 15,
    ]
    spent: list[tuple[int, float]] = []
    dear: list[str] = []
    timed.once(["-m", "lint.cli", "rules"])  # so that every module has been compiled
    with tempfile.TemporaryDirectory() as folder:
        for faces in sizes:
            part = Path(folder) / f"{kind}-{faces}.stl"
            mesh = _mesh(kind, faces)
            made.write_stl(part, mesh)
            Path(f"{part}.ticket.toml").write_text(made.ticket(mesh), encoding="utf-8")
            count, mesh = len(mesh[1]), (np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64))
            times = repeat if faces < LARGE else max(repeat // 2, 1)
            runs = [(timed.lint(part), *(timed.task(name, part) for name in ("loaded", "ours", "plain"))) for _ in range(times)]
            whole, loaded, ours, plain = (timed.middle(column) for column in zip(*runs, strict=True))
            floor = json.loads(timed.task("floor", part).said)["seconds"]
            _same(json.loads(ours.said), json.loads(plain.said))
            against, fewer = ([f"{_ratio(runs, a, b, by):.2f}" for by in ("wall", "cpu")] for a, b in ((0, 1), (3, 2)))
            rows.append(
                f"| {count:,} | {whole.wall:.2f} | {whole.cpu:.2f} | {whole.peak:.0f} | {loaded.wall:.2f} | {loaded.cpu:.2f} "
                f"| {' | '.join(against)} | {ours.wall:.2f} | {ours.cpu:.2f} | {plain.wall:.2f} | {plain.cpu:.2f} "
                f"| {' | '.join(fewer)} | {floor:.4f} |"
            )
            spent.append((count, whole.cpu))
            print(rows[-1], file=sys.stderr, flush=True)  # large ones take minutes
            if faces == sizes[-1] or 500_000 <= faces < LARGE:
                seconds = json.loads(timed.task("measured", part).said)["seconds"]
                dear += ["", f"Where it goes, {count:,} faces, CPU seconds: {_dear(seconds)}"]
        start = [timed.middle([timed.once(["-m", "lint.cli", "rules"]) for _ in range(repeat)])]
        small = Path(folder) / "small.stl"
        mesh = made.shape(10_000)
        made.write_stl(small, mesh)
        start.append(timed.middle([timed.lint(small) for _ in range(repeat)]))
        wheels = _rays(Path(folder), kind)
    where = f"{os.cpu_count()} cores; compiled loops: {loops.there()}"
    head = f"Mesh: {kind}, seed {made.SEED}; medians of {repeat}, of large ones {max(repeat // 2, 1)}; {where}."
    what = ("`buckwright rules`", "lint of 10,000 faces")
    begun = [f"{name}: {run.cpu:.2f} s CPU, {run.wall:.2f} s wall" for name, run in zip(what, start, strict=True)]
    return [head, "", *rows, "", f"Growth exponent from 100,000 faces on: {exponent(spent):.2f}", "", *begun, "", *wheels, *dear]


def exponent(spent: list[tuple[int, float]]) -> float:
    """The slope of time over faces, both as logarithms, by least squares, of meshes of 100,000 faces or more; NaN for fewer than two."""
    large = [(math.log(faces), math.log(seconds)) for faces, seconds in spent if faces >= 100_000]
    if len(large) < 2:
        return math.nan
    return float(np.polyfit(*zip(*large, strict=True), 1)[0])


def _mesh(kind: str, faces: int) -> tuple[np.ndarray, np.ndarray]:
    if kind != "ball" and SCANS is not None:
        try:
            return made.real(SCANS / KINDS[kind], faces)
        except ValueError:  # fewer are asked for than the scan has
            return made.shape(faces)
    return made.shape(faces)


def _same(ours: dict[str, float], plain: dict[str, float]) -> None:
    """Raise ValueError unless both gave the same answers. Walls are left out: ours are asked of pieces of large faces as well."""
    for name, value in plain.items():
        if name == "wall":
            continue
        near = 1e-3 * max(abs(value), 1.0) if name == "volume" else 0
        if abs(ours[name] - value) > near:
            raise ValueError(f"{name}: {ours[name]} by us, {value} by trimesh")


def _ratio(runs: list[tuple[timed.Spent, ...]], above: int, below: int, by: str) -> float:
    """The median of the ratios of time within each run, by "wall" or "cpu"."""
    return float(np.median([getattr(run[above], by) / getattr(run[below], by) for run in runs]))


def _dear(seconds: dict[str, float]) -> str:
    ranked = sorted(seconds.items(), key=lambda item: -item[1])
    rest = sum(value for _, value in ranked[DEAR:])
    return "; ".join([f"{name} {value:.2f}" for name, value in ranked[:DEAR]] + [f"all others {rest:.2f}"])


def _rays(folder: Path, kind: str) -> list[str]:
    """The makers of rays side by side, on one core."""
    part = folder / "rays.stl"
    made.write_stl(part, _mesh(kind, 100_000))
    words = {"compiled": ("", ""), "embreex": ("plain", ""), "libigl": ("plain", "plain")}
    said = [
        json.loads(timed.task("walls", part, {"BUCKWRIGHT_LOOPS": loop, "BUCKWRIGHT_RAYS": ray}).said) for loop, ray in words.values()
    ]
    told = [
        f"{name}: ready in {one['ready']:.2f} s, {one['count'] / max(one['cast'], 1e-9) / 1e6:.2f} million a second, "
        f"median {one['median']:.4f} mm"
        for name, one in zip(words, said, strict=True)
    ]
    return ["Rays, one wall ray a patch: " + "; ".join(told)]


if __name__ == "__main__":
    main()
