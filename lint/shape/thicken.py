"""Thicken: a core of the thickness that prints is laid along the middle of each thin wall and made one with the part."""

from __future__ import annotations

from typing import Any

import numpy as np

from lint.measure import Survey
from lint.measure.surface import weld_exact
from lint.measure.walls import halved
from lint.shape.crossing import any_crosses
from lint.shape.rewrap import MORE, measured_move
from lint.shape.sturdy import TIPS, grain, sturdy, used_only
from lint.shape.unite import air_pockets, among
from lint.shape.verify import sound, thin_regions
from lint.shape.wrap import tolerance_of, uncrossed
from lint.terms import Declined, Fix, FloatArray, IntArray, Job, NotYet, Part, Promise, Shaped, Touch, Weight, Zone

# The core is drawn a little thicker than asked, so that its facets do not fall short; the next is tried where one grazes the skin.
SPARES = (1.06, 1.09, 1.13, 1.17)
ROUNDS = 3
# More cells than this would take minutes and gigabytes: a mask that is thin all over wants another scale, not this.
CELLS = 6_000_000

fix = Fix(
    name="thicken",
    touch=Touch.SKIN,
    does="lays a core along the middle of each thin wall, so that both its sides move out just as far as is missing",
    on_demand=True,
    for_stop=True,
)


@fix.make
def make(job: Job) -> Shaped:
    """A part without thin walls. Raises Declined when there is none, the part is no sound solid, or the walls are too large."""
    resin = job.settings.process == "resin"
    thick = 1.0 if resin else 2 * job.settings.nozzle
    # Asked for, it brings every wall to what bears handling; called by a stop alone, only those that would not print at all.
    some = not job.asked and any(f.weight < Weight.STOP for f in job.findings)
    most = (0.4 if resin else job.settings.nozzle) if some else np.inf
    part, survey, cores = job.part, job.survey, _cores(job.survey, thick, most)
    if not cores:
        raise Declined("no wall is thinner than it should be")
    every: list[FloatArray] = []
    for _ in range(ROUNDS):  # beside a wall that was thickened another can be thin, or be seen to be thin only now
        every += cores
        part, survey = _laid(part, survey, cores, thick)
        cores = _cores(survey, thick, most)
        if not cores:
            break
    was, left = (_thin(s, thick) for s in (job.survey, survey))
    if len(left) >= max(len(was), 1):
        raise Declined(f"a wall of {min(left):.2f} mm stays thin whatever is laid along it: draw it thicker by hand")
    spots = _sparse(np.vstack(every), thick)
    zone = Zone.near("along the thin wall", 2 * thick, spots)
    beside = measured_move(job, part, (zone,)).max
    stays = max(1e-3, 2 * grain(job.part.vertices, True), MORE * beside)
    if beside > TIPS:
        raise Declined("the thicker wall would bury skin beside it: draw it thicker by hand")
    fewer = some or bool(left)
    joined = survey.get("shells").count < job.survey.get("shells").count
    promise = Promise(
        skin_max=stays, skin_p99=stays, volume="more", pieces="fewer" if joined else "same",
        clears=() if fewer else (30,), lessens=(30,) if fewer else (), may_raise=(31, 32),
    )  # fmt: skip
    many = "1 thin wall" if len(every) == 1 else f"{len(every)} thin walls"
    return Shaped(part, promise, f"brought {many} to {thick:.2f} mm, half of what was missing on each side", (zone,))


def _laid(part: Part, survey: Survey, cores: list[FloatArray], thick: float) -> tuple[Part, Survey]:
    """The part with the cores made one with it. Raises Declined when no thickness of theirs leaves the skin sound.

    Where the new skin meets the old, faces next to nothing wide can be folded by less than is judged. The first thickness is taken that
    leaves no face through another at all, and the first that is sound where each does.
    """
    skin, low = survey.get("skin"), survey.get("extent").low
    shells, short, rounding = survey.get("shells"), grain(skin.vertices, True), tolerance_of(skin.vertices, True)
    solids, hollows = int((shells.volume > 0).sum()), int((shells.volume < 0).sum())
    hollow = skin.vertices[np.unique(skin.faces[np.isin(shells.label, np.flatnonzero(shells.volume < 0))])]
    whole = _solid(skin.vertices - low, skin.faces)
    folded: tuple[Part, Survey] | None = None
    for spare in SPARES:
        radius = thick * spare / 2
        solid = whole
        for core in cores:
            raised = core[core[:, 2] < low[2] + radius]  # what lies on the bed can only grow upward
            raised[:, 2] = low[2] + radius
            solid += _swept(np.vstack((core, raised)) - low, radius).trim_by_plane((0.0, 0.0, 1.0), 0.0)
        mesh = solid.to_mesh64()
        vertices = _put_back(np.asarray(mesh.vert_properties, dtype=np.float64)[:, :3], skin.vertices, low)
        faces = np.asarray(mesh.tri_verts, dtype=np.int64)
        faces = faces[~air_pockets(vertices, faces, hollow)]  # where two thick walls meet they can shut air in between them
        vertices, faces = used_only(*sturdy(vertices, faces, short, among(vertices, skin.vertices)))
        made_new = ~among(vertices, skin.vertices)
        try:  # sides that became one can cross their neighbours by a hair
            vertices = uncrossed(vertices, vertices, faces, made_new, short, rounding)
        except Declined:
            continue
        new = part.with_mesh(vertices, faces)
        after = sound(new, "the thickened part")
        volume = after.get("shells").volume
        # A speck can come loose where the walls are cut off at the bed. Pieces that a wall joins are the better for it.
        kept = int((volume > 0).sum()) <= solids and int((volume < 0).sum()) <= hollows
        if kept and not len(after.get("crossings").pairs):
            if not any_crosses(vertices, faces, np.asarray(made_new[faces].any(axis=1))):
                return new, after
            folded = folded or (new, after)
    if folded is not None:
        return folded
    raise Declined("the thicker wall grazes the skin beside it or leaves specks, whatever its thickness: draw it thicker by hand")


def _put_back(made: FloatArray, known: FloatArray, low: FloatArray) -> FloatArray:
    """Points (n, 3) measured from `low` in the part's own coordinates: the known points (k, 3) to the last bit, which a sum would lose."""
    _, old = weld_exact(np.vstack((known - low, made)))
    which = np.full(int(old.max()) + 1, -1, dtype=np.int64)
    which[old[: len(known)]] = np.arange(len(known))
    at = which[old[len(known) :]]
    points: FloatArray = np.where((at >= 0)[:, None], known[at], made + low)
    return points


def _cores(survey: Survey, thick: float, most: float) -> list[FloatArray]:
    """Points (k, 3) closely set along the middle of each wall that is thinner than `thick` and somewhere than `most`, one array a wall."""
    skin, facets, patches, walls, rays = (survey.get(n) for n in ("skin", "facets", "patches", "walls", "rays"))
    regions = thin_regions(survey, thick - 1e-3)
    cores: list[FloatArray] = []
    for region in (r for r in regions if r.least < most - 1e-3):
        place = patches.point[region.patches]
        across = np.ptp(place @ _frame(place).T, axis=0)
        if np.prod(across / (thick / 4) + 8) > CELLS:
            raise Declined(f"a thin wall {across.max():.0f} mm across is too large for this: print it larger, or draw it thicker")
        face, corners = halved(region.faces, skin.vertices[skin.faces[region.faces]], thick / 8)
        point, normal = corners.mean(axis=1), facets.normal[face]
        met, far = rays.first_facing(point - rays.gap * normal, -normal, away=True, reach=2 * thick)
        thin = (far < thick) & ((face < met) | ~np.isin(met, region.faces))  # from one side only: the other would say the same
        middle = point[thin] - (far[thin] / 2)[:, None] * normal[thin]
        if not len(middle):  # of a few slanting faces the finer pieces can all look past it; where it was found to be thin, it is
            own = region.patches
            middle = patches.point[own] - (walls.thickness[own] / 2)[:, None] * facets.normal[patches.face[own]]
        cores.append(_sparse(middle, thick / 8))
    return cores


def _thin(survey: Survey, thick: float) -> list[float]:
    """The thinnest place of each wall that is thinner than `thick`, mm."""
    return [region.least for region in thin_regions(survey, thick - 1e-3)]


def _swept(core: FloatArray, radius: float) -> Any:
    """A solid of every place within `radius` mm of the points (k, 3), drawn on a grid of half the radius (marching cubes) that lies
    along them: the box round a slanting plate would hold a hundred times as many cells."""
    from scipy.spatial import cKDTree
    from skimage.measure import marching_cubes

    pitch, frame = radius / 2, _frame(core)
    core = core @ frame.T
    low = core.min(axis=0) - radius - 2 * pitch
    count = np.ceil((core.max(axis=0) + radius + 2 * pitch - low) / pitch).astype(np.int64) + 1
    grid = low + np.stack(np.meshgrid(*(np.arange(c) for c in count), indexing="ij"), axis=-1).reshape(-1, 3) * pitch
    reach = radius + 2 * pitch
    away = np.asarray(cKDTree(core).query(grid, distance_upper_bound=reach)[0])
    vertices, faces, _, _ = marching_cubes(np.minimum(away, reach).reshape(count) - radius, 0.0)
    faces = faces.astype(np.int64)
    vertices = low + vertices.astype(np.float64) * pitch
    a, b, c = (vertices[faces[:, k]] - low for k in range(3))
    inside_out = float(np.einsum("ij,ij->i", a, np.cross(b, c)).sum()) < 0
    return _solid(vertices @ frame, faces[:, ::-1] if inside_out else faces)


def _frame(points: FloatArray) -> FloatArray:
    """(3, 3) rows: the directions along which points (k, 3) lie, the longest first, right-handed; the axes where they are few."""
    if len(points) < 3:
        return np.eye(3)
    off = points - points.mean(axis=0)
    frame: FloatArray = np.linalg.eigh(off.T @ off)[1].T[::-1].copy()
    if np.linalg.det(frame) < 0:
        frame[2] *= -1
    return frame


def _solid(vertices: FloatArray, faces: IntArray) -> Any:
    """A manifold3d solid. Raises Declined when the mesh is none."""
    import manifold3d

    solid = manifold3d.Manifold(
        manifold3d.Mesh64(np.ascontiguousarray(vertices, dtype=np.float64), np.ascontiguousarray(faces, dtype=np.uint64))
    )
    if solid.status() != manifold3d.Error.NoError:
        raise NotYet("the part is not one sound solid yet; mend that first")
    return solid


def _sparse(points: FloatArray, size: float) -> FloatArray:
    """One of the points (k, 3) a cell of `size` mm."""
    cell = np.floor((points - points.min(axis=0)) / size).astype(np.int64)
    span = cell.max(axis=0) + 1
    _, first = np.unique((cell[:, 0] * span[1] + cell[:, 1]) * span[2] + cell[:, 2], return_index=True)
    return points[first]
