"""What every reader hands over, and the limits it keeps to: the file's own numbers, before units and turns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from lint.terms import FloatArray, IntArray


class Fault(Exception):
    """A file that cannot be read: what is wrong, where, and what to do. `read` puts the file's name before it."""


@dataclass(frozen=True)
class LoadLimits:
    """How much a file may ask for. A claim is held against these before any memory is taken for it.

    max_bytes: of the file itself; max_unpacked: of everything unpacked from a 3MF, or fetched beside a glTF;
    max_ratio: unpacked against packed, beyond the first 16 MiB (the XML of a mesh packs 5 to 15 times, a bomb 1000 times);
    max_depth: components inside components, nodes inside nodes; max_instances: copies of objects placed in all.
    """

    max_faces: int = 20_000_000
    max_points: int = 60_000_000
    max_bytes: int = 4 << 30
    max_unpacked: int = 4 << 30
    max_ratio: int = 60
    max_entries: int = 10_000
    max_depth: int = 256
    max_instances: int = 100_000


@dataclass(frozen=True)
class Context:
    """Where the file stands and what it may use."""

    path: Path
    limits: LoadLimits


@dataclass
class Raw:
    """A mesh as its file says it. vertices (n, 3) float64, faces (m, 3) int64; indices may be out of range (rule 1 judges).

    y_up: the format's up is +Y (glTF); the reader leaves the points as they are and `read` turns them.
    """

    format: str
    vertices: FloatArray
    faces: IntArray
    units: str | None = None
    units_from: str = "the file"
    y_up: bool = False
    texts: tuple[tuple[str, str], ...] = ()
    attachments: tuple[str, ...] = ()
    split_polygons: int = 0
    objects: tuple[str, ...] = ()


# Enough to see whose file it is; a file that is all comment must not fill the memory.
MOST_TEXTS = 1000
LONGEST_TEXT = 500


@dataclass
class Texts:
    """Human-readable strings found on the way, each with where it stood; control characters become spaces."""

    found: list[tuple[str, str]] = field(default_factory=list)

    def add(self, where: str, text: str | bytes) -> None:
        """Keep a text unless it is blank. Bytes that are not UTF-8 are taken as Latin-1, which never fails."""
        if len(self.found) < MOST_TEXTS:
            clean = decoded(text)
            if clean:
                self.found.append((where, clean))


def decoded(text: str | bytes, longest: int = LONGEST_TEXT) -> str:
    """A text fit for one line of a report: decoded, clipped, without control characters."""
    if isinstance(text, bytes):
        clipped = text[: longest * 4]
        try:
            text = clipped.decode("utf-8")
        except UnicodeDecodeError:
            text = clipped.decode("latin-1")
    return "".join(c if c.isprintable() else " " for c in text[:longest]).strip()


def shown(text: str | bytes) -> str:
    """A word of the file as quoted in a message: short, printable, in double quotes."""
    clean = decoded(text, 40)
    return f'"{clean}"' if len(text) <= 40 else f'"{clean}..."'


def joined(meshes: Sequence[tuple[FloatArray, IntArray]]) -> tuple[FloatArray, IntArray]:
    """Several meshes in one, nothing united. An index that is out of range in its own mesh stays out of range.

    Without that care a wrong index would quietly point into the next mesh, and rule 1 could not see it.
    """
    import numpy as np

    if not meshes:
        return np.zeros((0, 3)), np.zeros((0, 3), dtype=np.int64)
    if len(meshes) == 1:
        return meshes[0]
    total = sum(len(v) for v, _ in meshes)
    offset = 0
    parts: list[IntArray] = []
    for vertices, faces in meshes:
        moved = faces + offset
        moved[faces >= len(vertices)] = total
        moved[faces < 0] = -1
        parts.append(moved)
        offset += len(vertices)
    return np.concatenate([v for v, _ in meshes]), np.concatenate(parts)


def check_count(faces: int, points: int, limits: LoadLimits) -> None:
    """Raise Fault when a mesh, as counted, is more than the limits allow."""
    if faces > limits.max_faces:
        raise Fault(f"it holds {faces:,} faces; at most {limits.max_faces:,} are read: thin it out first")
    if points > limits.max_points:
        raise Fault(f"it holds {points:,} points; at most {limits.max_points:,} are read: thin it out first")
