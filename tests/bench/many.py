"""Many small parts: with one process and with two, again unchanged, again with one part changed. Whole processes, wall clock.

`python -m tests.bench.many --count 1000 --pairs 5` prints seconds and ratios of one run; nothing is asserted. The parts are solids of
varied kind and size, drawn out, bent and roughened by seeded dice, 2,000 to 8,000 faces each, half of them with a ticket, under one shop
file.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from corpus import solids
from lint.save import write_part
from lint.terms import Part, Source
from tests.bench.timed import COMPILED

SHOP = 'edition = 1\n[part]\nunits = "mm"\n[print]\nbed = [220.0, 220.0, 250.0]\n'
BODIES = ("nose", "ear", "hand", "foot", "other")


def _ball(dice: np.random.Generator) -> solids.Mesh:
    return solids.ball(dice.uniform(15, 40), level=4 if dice.random() < 0.3 else 3)


def _block(dice: np.random.Generator) -> solids.Mesh:
    size = dice.uniform(20, 60, 3)
    return solids.box(size, step=float(size.max() / dice.integers(14, 20)))


def _pipe(dice: np.random.Generator) -> solids.Mesh:
    outer = dice.uniform(12, 30)
    return solids.tube(outer, outer * dice.uniform(0.4, 0.8), dice.uniform(20, 60), sides=int(dice.integers(64, 110)), rings=10)


def _ring(dice: np.random.Generator) -> solids.Mesh:
    return solids.torus(dice.uniform(20, 35), dice.uniform(5, 12), sides=int(dice.integers(48, 80)), rings=int(dice.integers(24, 32)))


def part_mesh(number: int) -> solids.Mesh:
    """The vertices and faces of one part; the same number gives the same part, and no two are alike."""
    dice = np.random.default_rng(number)
    make: Callable[[np.random.Generator], solids.Mesh] = (_ball, _block, _pipe, _ring)[number % 4]
    vertices, faces = make(dice)
    while len(faces) < 2000:
        vertices, faces = solids.halve(vertices, faces)
    vertices = vertices * dice.uniform(0.8, 1.25, 3)
    reach = np.ptp(vertices, axis=0).max()
    for _ in range(3):  # soft bumps
        centre, wide = vertices[dice.integers(len(vertices))], reach * dice.uniform(0.15, 0.4)
        away = vertices - vertices.mean(axis=0)
        away /= np.maximum(np.linalg.norm(away, axis=1, keepdims=True), 1e-9)
        pull = np.exp(-((np.linalg.norm(vertices - centre, axis=1) / wide) ** 2))
        vertices = vertices + away * (pull * reach * dice.uniform(-0.05, 0.08))[:, None]
    if number % 3 == 0:
        vertices = vertices + dice.normal(0, 0.05, vertices.shape)
    if number % 7 == 0:
        faces = faces[dice.permutation(len(faces))[: len(faces) - 5]]
    return vertices - [0, 0, vertices[:, 2].min()], faces


def make_shelf(folder: Path, count: int) -> list[Path]:
    """A repository of `count` parts in folders of a hundred, with its shop file; the paths of the parts."""
    (folder / "shop.toml").write_text(SHOP, encoding="utf-8")
    paths = []
    for number in range(count):
        path = folder / f"troupe {number // 100}" / f"{BODIES[number % 5]} {number:04}{('.stl', '.stl', '.ply', '.3mf')[number // 2 % 4]}"
        path.parent.mkdir(exist_ok=True)
        put(path, number)
        if number % 2:
            path.with_name(path.name + ".ticket.toml").write_text(f'[part]\nbody = "{BODIES[number % 5]}"\n', encoding="utf-8")
        paths.append(path)
    return paths


def put(path: Path, number: int) -> None:
    """Write part `number` at the path."""
    vertices, faces = part_mesh(number)
    write_part(Part(vertices, faces, Source(path, path.suffix[1:], "", 0), units="mm"), path)


def lint(folder: Path, store: Path | None, *words: str) -> tuple[float, str]:
    """Seconds of one whole `buckwright lint` of the folder, and its report as JSON."""
    named = {"BUCKWRIGHT_STORE": "off" if store is None else str(store)}
    environment = {**os.environ, **named, "PYTHONPYCACHEPREFIX": str(COMPILED)}
    environment.pop("PYTHONDONTWRITEBYTECODE", None)  # as an installed program does, it keeps its compiled modules
    command = [sys.executable, "-m", "lint.cli", "lint", str(folder), *words]
    began = time.perf_counter()
    done = subprocess.run(command, env=environment, capture_output=True, text=True, check=False)
    seconds = time.perf_counter() - began
    if done.returncode not in (0, 1):
        raise RuntimeError(done.stderr or done.stdout[-2000:])
    return seconds, done.stdout


def measure(folder: Path, count: int, repeats: int, pairs: int) -> None:
    """Make the parts, time the runs, print the table. pairs: how often one process and two are timed in turn, each with nothing known."""
    shelf, store = folder / "shelf", folder / "store"
    shelf.mkdir()
    paths = make_shelf(shelf, count)
    faces = [len(part_mesh(n)[1]) for n in range(0, count, max(count // 50, 1))]
    print(f"{count} parts of {min(faces):,} to {max(faces):,} faces, {sum(p.stat().st_size for p in paths) / 1e6:.0f} MB", flush=True)
    ones, twos = [], []
    for k in range(pairs):
        ones.append(lint(shelf, None, "--jobs", "1")[0])
        twos.append(lint(shelf, store if k == pairs - 1 else folder / f"store {k}", "--jobs", "2")[0])
    one, two = statistics.median(ones), statistics.median(twos)
    times_as_fast = statistics.median(a / b for a, b in zip(ones, twos, strict=True))
    print(f"one process              {one:8.2f} s  {1000 * one / count:6.1f} ms a part (median of {pairs})", flush=True)
    print(f"two processes            {two:8.2f} s  {times_as_fast:.2f} times as fast as one", flush=True)
    again = statistics.median(lint(shelf, store)[0] for _ in range(repeats))
    print(f"again, unchanged         {again:8.2f} s  (median of {repeats})", flush=True)
    times = []
    for k in range(repeats):
        put(paths[count // 2], count + k)
        times.append(lint(shelf, store)[0])
    print(f"again, one part changed  {statistics.median(times):8.2f} s  (median of {repeats})", flush=True)


def main() -> int:
    """Time it and print."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=1000)
    options.add_argument("--repeats", type=int, default=5)
    options.add_argument("--pairs", type=int, default=1, help="of runs with one process and with two, which take minutes")
    said = options.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        measure(Path(folder), said.count, said.repeats, said.pairs)
    return 0


if __name__ == "__main__":
    sys.exit(main())
