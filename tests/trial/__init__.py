"""The trial: known faults of a chosen size planted at a chosen place on sound meshes, and what the rules say of them.

`python -m tests.trial` prints precision, recall and the error of the measured value for every rule, and lists every miss
and every false alarm. A short seeded run is in the suite (tests/test_trial.py).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace

import numpy as np

from corpus import solids

MM = '[part]\nunits = "mm"\n'


@dataclass(frozen=True)
class Planted:
    """One case. `speaks`: whether the rule must find something; measured: what it must measure, within `within` (same unit).

    `count`: how many findings (None: at least one). `why` describes the plant, for the list of misses.
    `says`: a pattern with one number in the message, what that number must be, and how close it must be.
    """

    rule: int
    mesh: solids.Mesh
    speaks: bool
    why: str
    ticket: str = MM
    measured: float | None = None
    within: float = 0.0
    count: int | None = None
    says: tuple[str, float, float] | None = None


@dataclass
class Tally:
    """Counts of one rule: right and wrong answers on plants and on clean meshes, and errors of the measured value."""

    found: int = 0
    missed: list[str] = field(default_factory=list)
    quiet: int = 0
    false_alarms: list[str] = field(default_factory=list)
    not_run: list[str] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    off: list[str] = field(default_factory=list)

    @property
    def recall(self) -> float:
        """Share of planted faults that were found."""
        planted = self.found + len(self.missed)
        return self.found / planted if planted else float("nan")

    @property
    def precision(self) -> float:
        """Share of alarms that were right."""
        said = self.found + len(self.false_alarms)
        return self.found / said if said else float("nan")


Planter = Callable[[np.random.Generator, "Bases"], Planted]
PLANTERS: dict[int, list[Planter]] = {}


def plants(*rules: int) -> Callable[[Planter], Planter]:
    """Decorator: a planter of faults (and of near misses) for these rules."""

    def keep(function: Planter) -> Planter:
        for rule in rules:
            PLANTERS.setdefault(rule, []).append(function)
        return function

    return keep


@dataclass(frozen=True)
class Bases:
    """Sound closed meshes to plant on, in mm, by name."""

    meshes: dict[str, solids.Mesh]

    def pick(self, rng: np.random.Generator, most: int = 30_000) -> tuple[str, solids.Mesh]:
        """One of them, not too large, turned about z and moved at random so that no plant sits on round numbers."""
        names = [n for n, m in self.meshes.items() if len(m[1]) <= most]
        name = str(rng.choice(names))
        vertices, faces = self.meshes[name]
        a = rng.uniform(0, 2 * np.pi)
        turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
        shift = np.append(rng.uniform(-200, 200, 2), 0.0)
        return name, (vertices @ turn.T + shift, faces.copy())


def cases(rule: int, count: int, seed: int, bases: Bases) -> Iterator[Planted]:
    """`count` plants for one rule, its planters taken in turn."""
    for k in range(count):
        yield one_case(rule, k, seed, bases)


def one_case(rule: int, k: int, seed: int, bases: Bases) -> Planted:
    """Plant number `k` of a rule, from a seed of its own, so that it can be made again.

    Every plant is disguised as files are: cut finer once or twice, tumbled where the rule does not ask which way is up, its faces and
    points renumbered, and passed through the loose faces and 32-bit numbers of STL.
    """
    planters = PLANTERS[rule]
    rng = np.random.default_rng((seed, rule, k))
    return disguised(planters[k % len(planters)](rng, bases), rng, k // len(planters) % 3)


# What is planted in these is the size of the facets themselves, or a hair that 32-bit numbers would round away.
FACETS_COUNT = frozenset({2, 3, 12, 13, 14})
HAIRS_COUNT = frozenset({2})
MOST_FACES = 40_000


def disguised(case: Planted, rng: np.random.Generator, finer: int) -> Planted:
    """The same shape in another file: cut finer `finer` times, tumbled, renumbered, rounded, each where the plant allows it."""
    from lint.rooms import all_rules

    mesh, words = case.mesh, ""
    if case.rule not in FACETS_COUNT:
        for _ in range(finer):
            if 4 * len(mesh[1]) <= MOST_FACES:
                mesh, words = solids.halve(*mesh), words + ", cut finer"
    if not all_rules()[case.rule].upright and "[[length]]" not in case.ticket:
        mesh, words = (mesh[0] @ any_turn(rng).T, mesh[1]), words + ", tumbled"
    if rng.random() < 0.5:
        order = rng.permutation(len(mesh[0]))
        faces = np.argsort(order)[mesh[1]][rng.permutation(len(mesh[1]))]
        mesh, words = (mesh[0][order], np.roll(faces, int(rng.integers(3)), axis=1)), words + ", renumbered"
    if rng.random() < 0.5 and case.rule not in HAIRS_COUNT:
        loose = mesh[0][mesh[1]].astype(np.float32).astype(np.float64).reshape(-1, 3)
        mesh, words = (loose, np.arange(len(loose)).reshape(-1, 3)), words + ", as 32-bit STL"
    return replace(case, mesh=mesh, why=case.why + words)


def any_turn(rng: np.random.Generator) -> np.ndarray:
    """A turn in space, all equally likely (a unit quaternion drawn evenly): (3, 3)."""
    w, x, y, z = (q := rng.normal(size=4)) / np.linalg.norm(q)
    return np.array([
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ])  # fmt: skip


def patch(mesh: solids.Mesh, rng: np.random.Generator, reach: float) -> np.ndarray:
    """Faces that hang together around a random one, as far as `reach` mm from its centre: (k,) face numbers."""
    vertices, faces = mesh
    centres = vertices[faces].mean(axis=1)
    start = int(rng.integers(len(faces)))
    near = np.linalg.norm(centres - centres[start], axis=1) <= reach
    keep = {start}
    edge: dict[tuple[int, int], list[int]] = {}
    for f in np.flatnonzero(near):
        for a, b in zip(faces[f], np.roll(faces[f], -1), strict=True):
            edge.setdefault((min(a, b), max(a, b)), []).append(int(f))
    grown = True
    while grown:
        grown = False
        for sharing in edge.values():
            if any(f in keep for f in sharing) and not all(f in keep for f in sharing):
                keep.update(sharing)
                grown = True
    return np.array(sorted(keep))


def diagonal(mesh: solids.Mesh) -> float:
    """The diagonal of the box around a mesh."""
    return float(np.linalg.norm(mesh[0].max(axis=0) - mesh[0].min(axis=0)))
