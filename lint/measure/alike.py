"""Which parts of a shelf are the same skin again: looked up by signature, then settled by laying one on the other."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from itertools import permutations
from pathlib import Path

import numpy as np

from lint.measure.alignment import Surface, same_as
from lint.measure.moments import Signature
from lint.terms import MM_PER_UNIT, FloatArray, Part

# Signatures further apart than this are of different skins. One skin rewritten in 32-bit numbers keeps its signature to a millionth;
# rounded to the hundredth of a millimetre, a life-size ear, to a few hundred-thousandths.
NEAR = 1e-4

_FACTORS = np.array(sorted({1.0} | {round(a / b, 9) for a, b in permutations(MM_PER_UNIT.values(), 2)}))


@dataclass(frozen=True)
class Index:
    """The signatures of a shelf, to look one up among: paths and signatures side by side, in the order of the number of the shape that
    differs most from part to part (its column); shapes: (n, 8). Where no number of two differs by much, few lie within NEAR in it."""

    paths: tuple[Path, ...]
    signatures: tuple[Signature, ...]
    shapes: FloatArray
    column: int


def index_of(signatures: Mapping[Path, Signature]) -> Index:
    """An index over the signatures of a shelf."""
    shapes = np.array([s.shape for s in signatures.values()]).reshape(-1, 8)
    column = int(np.argmax(shapes.std(axis=0))) if len(shapes) else 0
    order = np.argsort(shapes[:, column], kind="stable")
    paths, values = tuple(signatures), tuple(signatures.values())
    return Index(tuple(paths[k] for k in order), tuple(values[k] for k in order), shapes[order], column)


@dataclass(frozen=True)
class Suspect:
    """A part of the same signature: factor takes the size of this one to that of the part in question."""

    path: Path
    signature: Signature
    factor: float


def suspects(index: Index, path: Path, signature: Signature) -> list[Suspect]:
    """Parts whose signature is near that of the part at `path` and whose size is its own or that of another unit, nearest first."""
    found = []
    near = signature.shape[index.column] + np.array([-NEAR, NEAR])
    low, high = np.searchsorted(index.shapes[:, index.column], near)
    alike = (np.abs(index.shapes[low : high + 1] - signature.shape) <= NEAR).all(axis=1)
    for number in (low + np.flatnonzero(alike)).tolist():
        other = index.signatures[number]
        ratio = signature.radius / other.radius
        factor = float(_FACTORS[np.argmin(np.abs(np.log(_FACTORS / ratio)))])
        if index.paths[number] != path and abs(ratio / factor - 1) < NEAR:
            found.append((float(np.abs(other.shape - signature.shape).max()), number, factor))
    return [Suspect(index.paths[number], index.signatures[number], factor) for _, number, factor in sorted(found)]


def deliberate(path: Path, mine: Signature, suspect: Suspect, *, mirrored: bool) -> bool:
    """Whether two parts are alike because they are a pair: one ticket names the other, or one is left and its mirror image right."""
    paired = _names(path, mine.pair, suspect.path) or _names(suspect.path, suspect.signature.pair, path)
    return paired or (mirrored and {mine.side, suspect.signature.side} == {"left", "right"})


def _names(part: Path, pair: str | None, other: Path) -> bool:
    """Whether what the ticket of a part says under pair is that other file."""
    return pair is not None and os.path.realpath(part.parent / pair) == os.path.realpath(other)


@dataclass(frozen=True)
class Same:
    """How a suspect lies on the part in question: the most it is off, and what had to be done to it."""

    most: float
    moved: bool
    turned: bool
    mirrored: bool


def laid(part: Surface, suspect: Part, factor: float, within: float) -> Same | None:
    """How the suspect, scaled by the factor, is the part again to `within` everywhere; None when it is not."""
    other = Surface(suspect.vertices, suspect.faces)
    fit = same_as(other, part, within=within, factor=factor)
    if fit is None:
        return None
    turn = fit.matrix[:3, :3] / factor
    mirrored = float(np.linalg.det(turn)) < 0
    untouched = [np.diag(signs) for signs in ((-1, 1, 1), (1, -1, 1), (1, 1, -1))] if mirrored else [np.eye(3)]
    turned = min(float(np.abs(turn - plain).max()) for plain in untouched) * part.moments.radius > within
    moved = float(np.linalg.norm(part.moments.middle - factor * other.moments.middle)) > within
    return Same(fit.most, moved, turned, mirrored)
