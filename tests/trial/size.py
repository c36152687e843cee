"""Plants for the rules of the size (21 to 24)."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np

from corpus import solids
from tests.trial import Bases, Planted, plants

# ANSUR II (Gordon et al. 2014, NATICK/TR-15/007), computed percentiles shipped with the project; read here on its own.
DATA = Path(__file__).resolve().parents[2] / "lint" / "measure" / "body_sizes.csv"


def _marked(mesh: solids.Mesh, rng: np.random.Generator) -> tuple[int, int, float]:
    """Two points of the mesh that lie well apart, and their distance."""
    a = int(rng.integers(len(mesh[0])))
    away = np.linalg.norm(mesh[0] - mesh[0][a], axis=1)
    b = int(rng.choice(np.flatnonzero(away > 0.5 * away.max())))
    return a, b, float(away[b])


def _length(mesh: solids.Mesh, a: int, b: int, true: float) -> str:
    return f"[[length]]\nfrom = {mesh[0][a].tolist()}\nto = {mesh[0][b].tolist()}\ntrue = {true!r}\n"


@plants(21)
def wrong_size(rng: np.random.Generator, bases: Bases) -> Planted:
    """A marked length that is true, nearly true, or off by a known share."""
    name, mesh = bases.pick(rng)
    a, b, measured = _marked(mesh, rng)
    wrong = rng.random() < 0.7
    share = float(rng.choice([-1, 1]) * (rng.uniform(0.04, 0.5) if wrong else rng.uniform(0, 0.0015)))
    if wrong and abs(share) * measured < 4.0:
        share = float(np.sign(share)) * 4.0 / measured
    true = measured / (1 + share)
    ticket = '[part]\nunits = "mm"\n' + _length(mesh, a, b, true)
    return Planted(21, mesh, wrong, f"{name}: {measured:.2f} mm should be {true:.2f}", ticket=ticket,
                   measured=100 * share if wrong else None, within=0.02, count=1 if wrong else None)  # fmt: skip


@plants(22)
def lengths_disagree(rng: np.random.Generator, bases: Bases) -> Planted:
    """Two or three marked lengths, one of them off by a known share, or all agreeing with one wrong scale."""
    name, mesh = bases.pick(rng)
    warped = rng.random() < 0.7
    scale = float(rng.uniform(0.5, 2.0))
    text = '[part]\nunits = "mm"\n'
    many = int(rng.integers(2, 4))
    off = float(rng.uniform(0.06, 0.3)) if warped else float(rng.uniform(0, 0.002))
    for k in range(many):
        a, b, measured = _marked(mesh, rng)
        text += _length(mesh, a, b, measured * scale * (1 + off if k == 0 else 1.0))
    return Planted(22, mesh, warped, f"{name}: one of {many} lengths off by {100 * off:.2f} %", ticket=text,
                   measured=100 * off if warped else None, within=0.02, count=1 if warped else None)  # fmt: skip


@plants(23)
def unit_slip(rng: np.random.Generator, bases: Bases) -> Planted:
    """A box the size of an adult's part at a percentile between 1 and 99; right, or in the wrong unit."""
    body, size = _adult(rng)
    slip = float(rng.choice([1.0, 1.0, 0.1, 10.0, 25.4, 1 / 25.4, 1000.0, 0.001]))
    mesh = solids.box(np.array(size) * slip, rng.uniform(-100, 100, 3), step=float(min(size)) * slip / 4)
    ticket = f'[part]\nunits = "mm"\nbody = "{body}"\n'
    return Planted(23, mesh, slip != 1.0, f"adult {body} {np.round(size)} mm times {slip:g}", ticket=ticket)


def _adult(rng: np.random.Generator) -> tuple[str, tuple[float, float, float]]:
    with DATA.open(encoding="utf-8") as file:
        table = {row["dimension"]: row for row in csv.DictReader(file)}
    at = float(rng.uniform(0.01, 0.99))

    def size(name: str) -> float:
        row = table[name]
        return float(np.interp(at, [0.01, 0.05, 0.5, 0.95, 0.99], [float(row[k]) for k in ("p1", "p5", "p50", "p95", "p99")]))

    body = str(rng.choice(["ear", "hand", "foot", "head"]))
    if body == "ear":
        return body, (size("ear length"), size("ear breadth"), size("ear protrusion"))
    if body == "hand":
        return body, (size("hand length"), size("hand breadth"), 0.33 * size("hand breadth"))
    if body == "foot":
        return body, (size("foot length"), size("foot breadth"), 1.1 * size("ankle height"))
    return body, (size("head length"), size("head breadth"), 1.7 * size("ear to top of head"))


@plants(24)
def too_big(rng: np.random.Generator, bases: Bases) -> Planted:
    """A box against a bed: too tall, too wide at every turn, or fitting (some only when turned)."""
    bed = rng.uniform(100, 300, 3)
    kind = rng.integers(0, 4)
    size = bed * rng.uniform(0.3, 0.95, 3)
    if kind == 0:
        size[2] = bed[2] * float(rng.uniform(1.02, 2))
    elif kind == 1:
        size[:2] = max(bed[:2]) * rng.uniform(1.02, 1.5, 2)  # wider than the longer side both ways: no turn helps
    mesh = solids.box(size, (0, 0, 0), step=float(size.min()) / 3)
    a = float(rng.uniform(0, 2 * np.pi))
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    ticket = f'[part]\nunits = "mm"\n[print]\nbed = {[round(float(x), 6) for x in bed]}\n'
    placed = (mesh[0] @ turn.T + [500.0, 0, 0], mesh[1])
    return Planted(24, placed, kind in (0, 1), f"box {np.round(size)} on a bed {np.round(bed)}", ticket=ticket,
                   measured=float(size[2]) if kind == 0 else None, within=0.01, count=1 if kind in (0, 1) else None)  # fmt: skip
