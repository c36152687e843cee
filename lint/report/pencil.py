"""Skin in pencil: which faces of a part can be drawn, and their tones and outlines on paper."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lint.report.ink import GRAPHITE, PAPER, Pixels, pattern
from lint.report.raster import Camera, Raster
from lint.terms import BoolArray, FloatArray, IntArray, Part

FINE = 2  # pixels each way that are drawn for one of the picture
_TONES = 48
_SPECK = 14  # fine pixels: what is less is no line
_FAR = 1e30  # a coordinate beyond this is a slip of the file, and its squares would not be numbers


@dataclass(frozen=True)
class Mesh:
    """What of a part can be drawn.

    vertices: (n, 3), finite; faces: (m, 3); number: (m,) each face's number in the part; normal: (m, 3), unit or zero.
    used: (k, 3) the points that faces hold on to; low, high: (3,) the corners of their box.
    """

    vertices: FloatArray
    faces: IntArray
    number: IntArray
    normal: FloatArray
    used: FloatArray
    low: FloatArray
    high: FloatArray

    @property
    def across(self) -> float:
        """Corner to corner of the box, mm."""
        return float(np.linalg.norm(self.high - self.low))


def drawable(part: Part) -> Mesh:
    """The faces of a part whose corners exist and are finite: a picture is wanted most of all of a file with something wrong in it."""
    vertices, faces = part.vertices, part.faces
    kept = np.arange(len(faces))
    good = np.abs(vertices) < _FAR  # false for what is no number
    if len(faces) and (not good.all() or faces.min() < 0 or faces.max() >= len(vertices)):
        finite = np.asarray(good.all(axis=1), dtype=bool)
        kept = np.flatnonzero(np.asarray(((faces >= 0) & (faces < len(vertices))).all(axis=1), dtype=bool))
        kept = kept[np.asarray(finite[faces[kept]].all(axis=1), dtype=bool)]
        faces = faces[kept]
        vertices = np.where(finite[:, None], vertices, 0.0)
    a, b, c = ([vertices[faces[:, i], n] for n in range(3)] for i in range(3))
    u, v = ([q[n] - a[n] for n in range(3)] for q in (b, c))
    cross = np.stack((u[1] * v[2] - u[2] * v[1], u[2] * v[0] - u[0] * v[2], u[0] * v[1] - u[1] * v[0]))
    length = np.sqrt(cross[0] ** 2 + cross[1] ** 2 + cross[2] ** 2)
    held = np.zeros(len(vertices), dtype=bool)
    held[faces.ravel()] = True
    used = vertices if held.all() else vertices[held]
    low, high = (np.array([f(used[:, n]) if len(used) else 0.0 for n in range(3)]) for f in (np.min, np.max))
    return Mesh(vertices, faces, kept, (cross / np.where(length > 0, length, 1.0)).T, used, low, high)


def shaded(mesh: Mesh, seen: Raster, camera: Camera) -> Pixels:
    """The part in pencil, (h, w, 3): tone by the light, darker in hollows, lines where the depth leaps, the inside of the skin stippled."""
    pixels: Pixels = np.empty((*seen.face.shape, 3), dtype=np.float32)
    pixels[:] = PAPER
    wide = 2 * round(7 * FINE) + 1
    part = box_of(seen.face >= 0, wide)
    small = pixels[part]
    face = seen.face[part]
    drawn = face >= 0
    tone, inside = _tone(mesh, face[drawn], camera)
    tone -= _sunk(seen.depth[part], drawn, wide, wide / camera.scale)
    np.clip(tone, 0.12, 1.0, out=tone)
    paper, lead = np.array(PAPER, dtype=np.float32), np.array(GRAPHITE, dtype=np.float32)
    shades = lead + np.linspace(0, 1, _TONES + 1, dtype=np.float32)[:, None] * (paper - lead)
    small[drawn] = shades[np.rint(tone * _TONES).astype(np.int64)]
    stipple = np.zeros_like(drawn)
    stipple[drawn] = inside
    stipple &= pattern("dotted", 0, camera.size[0], camera.size[1], FINE)[part]
    small[stipple | _outlines(seen.depth[part], drawn, 7.0 / camera.scale)] = lead
    return pixels


def box_of(mask: BoolArray, room: int) -> tuple[slice, slice]:
    """The box of what is set, with so much room around it as there is."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return np.s_[0:0, 0:0]
    return np.s_[max(rows[0] - room, 0) : rows[-1] + 1 + room, max(columns[0] - room, 0) : columns[-1] + 1 + room]


def _tone(mesh: Mesh, face: IntArray, camera: Camera) -> tuple[NDArray[np.float32], BoolArray]:
    """How light each of these faces (k,) is by the light from the left above, 0 to 1, and whether its inner side is seen."""
    every = len(mesh.normal) < len(face)
    normal = mesh.normal if every else mesh.normal[face]
    light = -0.45 * camera.right + 0.55 * camera.up + 0.70 * camera.toward
    toward, lit = (sum(normal[:, i] * axis[i] for i in range(3)) for axis in (camera.toward, light))
    inside = np.asarray(toward < 0)
    tone = 0.42 + 0.165 * np.abs(toward) + 0.385 * np.clip(np.where(inside, -lit, lit), 0, 1)
    tone = np.where(inside, 0.80 * tone, tone).astype(np.float32)
    return (tone[face], inside[face]) if every else (tone, inside)


def _sunk(depth: FloatArray, drawn: BoolArray, wide: int, slack: float) -> NDArray[np.float32]:
    """How much darker each drawn pixel is for lying deeper than its surroundings, `wide` pixels across; a little lighter for less deep."""
    from scipy.ndimage import uniform_filter

    level = float(depth[drawn].mean()) if drawn.any() else 0.0
    flat = np.where(drawn, depth - level, 0.0).astype(np.float32)
    share, around = (uniform_filter(uniform_filter(a, wide), wide)[drawn] for a in (drawn.astype(np.float32), flat))
    sunk = np.tanh((flat[drawn] - around / np.maximum(share, 1e-6)) / np.float32(slack))
    return np.asarray(np.where(sunk > 0, 0.24, 0.08) * sunk, dtype=np.float32)


def _outlines(depth: FloatArray, drawn: BoolArray, leap: float) -> BoolArray:
    """Lines, two fine pixels thick, where the part ends, or where its depth leaps by more than skin seen at a slant would explain.

    Seen square on, as a groove in a base is, less of a leap is drawn. Scraps of lines, from the grain of rough skin, are left out.
    """
    from scipy.ndimage import label

    edge = np.zeros(drawn.shape, dtype=bool)
    flat = np.where(drawn, depth, 0.0)
    for here, there in ((np.s_[:-1], np.s_[1:]), (np.s_[:, :-1], np.s_[:, 1:])):
        step = np.where(drawn[here] & drawn[there], np.abs(flat[here] - flat[there]), 0.0)
        slant = np.zeros_like(step)  # of the flatter side: a steep face leaps at every pixel, an edge at one or two
        slant[here] = step[there]
        slant[there] = np.minimum(slant[there], step[here])
        edge[here] |= ((step > leap) & (step > 2 * slant)) | ((step > 0.4 * leap) & (step > 12 * slant)) | (drawn[here] & ~drawn[there])
        edge[there] |= drawn[there] & ~drawn[here]
    pieces, count = label(edge, np.ones((3, 3), dtype=bool))
    edge &= (np.bincount(pieces.ravel(), minlength=count + 1) >= _SPECK)[pieces]
    thick = edge.copy()
    thick[1:] |= edge[:-1]
    thick[:, 1:] |= thick[:, :-1].copy()
    return thick


def smaller(pixels: Pixels) -> Pixels:
    """The picture with each block of fine pixels made one."""
    height, width, _ = pixels.shape
    made = np.zeros((height // FINE, width // FINE, 3), dtype=np.float32)
    for row in range(FINE):
        for column in range(FINE):
            made += pixels[row::FINE, column::FINE]
    made /= FINE * FINE
    return made
