"""Plants for the rules of the print (30 to 37) and of the mould (50 to 52)."""

from __future__ import annotations

import numpy as np

from corpus import solids
from tests.trial import MM, Bases, Planted, plants

RESIN = '[part]\nunits = "mm"\n[print]\nprocess = "resin"\n'


def _turned_about_z(mesh: solids.Mesh, rng: np.random.Generator) -> solids.Mesh:
    a = float(rng.uniform(0, 2 * np.pi))
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    return mesh[0] @ turn.T + np.append(rng.uniform(-200, 200, 2), 0), mesh[1]


def _tilted(mesh: solids.Mesh, degrees: float) -> solids.Mesh:
    a = np.radians(degrees)
    turn = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    moved = mesh[0] @ turn.T
    return moved - [0, 0, moved[:, 2].min()], mesh[1]


def _either_side(rng: np.random.Generator, limit: float, margin: float = 0.03) -> tuple[float, bool]:
    """A size under or over a limit, never nearer to it than `margin` of it; and whether it is under."""
    under = bool(rng.random() < 0.6)
    share = float(rng.uniform(0.3, 1 - margin) if under else rng.uniform(1 + margin, 3.0))
    return limit * share, under


@plants(30)
def thin_plate(rng: np.random.Generator, bases: Bases) -> Planted:
    """A plate standing on a block, of a thickness either side of two nozzles of 0.4 mm."""
    thick, thin = _either_side(rng, 0.8)
    step = float(rng.choice([1.0, 2.0, 4.0]))
    block = solids.box((40, 30, 10), step=step)
    plate = solids.box((30, thick, 30), (5, 15, 9.0), step=step)
    return Planted(30, _turned_about_z(solids.fused(block, plate), rng), thin, f"plate of {thick:.3f} mm", measured=thick if thin else None,
                   within=max(0.02, 0.01 * thick), count=1 if thin else None)  # fmt: skip


@plants(30)
def thin_pipe(rng: np.random.Generator, bases: Bases) -> Planted:
    """A pipe whose wall is either side of two nozzles; facets make it thinner by the sag, which is allowed for."""
    thick, thin = _either_side(rng, 0.8, 0.05)
    outer = float(rng.uniform(8, 25))
    mesh = solids.tube(outer, outer - thick, float(rng.uniform(10, 40)), sides=int(rng.choice([64, 96, 128])), rings=8)
    return Planted(30, _turned_about_z(mesh, rng), thin, f"pipe of {outer:.1f} mm with a wall of {thick:.3f} mm",
                   measured=thick if thin else None, within=max(0.02, 0.01 * thick))  # fmt: skip


@plants(30)
def sharp_edges_are_no_thin_wall(rng: np.random.Generator, bases: Bases) -> Planted:
    """Boxes, cones and wedges have edges of no thickness at all and no thin wall."""
    kind = rng.integers(0, 3)
    if kind == 0:
        mesh = solids.box(rng.uniform(5, 40, 3), step=float(rng.uniform(1, 5)))
    elif kind == 1:
        radius = float(rng.uniform(5, 20))
        mesh = solids.turned([(radius, 0.0), (0.0, float(rng.uniform(1.0, 2.0)) * radius), (0.0, 0.0)], 64)
    else:
        mesh = _wedge(float(rng.uniform(40, 80)))
    return Planted(30, _turned_about_z(mesh, rng), False, ("box", "cone", "wedge")[kind])


def _wedge(degrees: float) -> solids.Mesh:
    """A ridge roof of 30 mm length whose edge has the given angle, cut fine so that samples fall near the edge."""
    half = 10 * np.tan(np.radians(degrees) / 2)
    vertices = np.array([[-half, 0, 0], [half, 0, 0], [0, 0, 10], [-half, 30, 0], [half, 30, 0], [0, 30, 10]], dtype=float)
    faces = np.array([[0, 1, 2], [3, 5, 4], [0, 3, 4], [0, 4, 1], [1, 4, 5], [1, 5, 2], [2, 5, 3], [2, 3, 0]])
    for _ in range(4):
        vertices, faces = solids.halve(vertices, faces)
    return vertices, faces


@plants(31)
def narrow_slot(rng: np.random.Generator, bases: Bases) -> Planted:
    """A slot in a block, its width either side of 0.5 mm."""
    wide, narrow = _either_side(rng, 0.5, 0.05)
    step = float(rng.choice([1.0, 2.0, 4.0]))
    mesh = solids.cut(solids.box((40, 30, 20), step=step), solids.box((60, wide, 15), (-10, 12.3, 10), step=step))
    return Planted(31, _turned_about_z(mesh, rng), narrow, f"slot of {wide:.3f} mm", measured=wide if narrow else None, within=0.02,
                   count=1 if narrow else None)  # fmt: skip


@plants(32)
def cone_on_its_tip(rng: np.random.Generator, bases: Bases) -> Planted:
    """An inverted cone on a foot: its whole side hangs at the half angle; 45 degrees from the vertical is the limit."""
    degrees = float(rng.uniform(20, 43.5) if rng.random() < 0.4 else rng.uniform(46.5, 75))
    height = 12.0
    radius = 3 + height * np.tan(np.radians(degrees))
    mesh = solids.turned([(5.0, 0.0), (5.0, 3.0), (3.0, 3.0), (3.0, 4.0), (float(radius), 4 + height), (0.0, 4 + height), (0.0, 0.0)], 128)
    slant = height / np.cos(np.radians(degrees))
    area = np.pi * (3 + radius) * slant  # side of a truncated cone
    share = 128 / np.pi * np.sin(np.pi / 128)  # of a 128-sided one
    hangs = degrees > 45
    return Planted(32, _turned_about_z(mesh, rng), hangs, f"cone hanging at {degrees:.1f} degrees",
                   measured=area * share if hangs else None, within=0.01 * area)  # fmt: skip


@plants(33)
def peg_in_mid_air(rng: np.random.Generator, bases: Bases) -> Planted:
    """A block on a foot with a peg hanging down beside the foot: it begins in mid-air unless it reaches the bed."""
    drop = float(rng.uniform(2, 12))
    reaches = rng.random() < 0.3
    low = 0.0 if reaches else float(rng.uniform(1.0, 18 - drop))
    foot = solids.box((20, 20, 20), step=5)
    arm = solids.box((50, 20, 8), (0, 0, 19.5), step=5)
    peg = solids.box((4, 4, 21.0 - low), (40, 8, low), step=2)
    mesh = solids.fused(solids.fused(foot, arm), peg)
    return Planted(33, _turned_about_z(mesh, rng), not reaches, f"peg from {low:.1f} mm up", count=1 if not reaches else None)


@plants(34)
def no_flat_base(rng: np.random.Generator, bases: Bases) -> Planted:
    """A block flat on the bed, or tilted; a ball, or a ball with its underside cut."""
    kind = rng.integers(0, 4)
    box = solids.box(rng.uniform(20, 60, 3), step=5)
    if kind == 0:
        return Planted(34, _turned_about_z(box, rng), False, "block flat on the bed")
    if kind == 1:
        return Planted(34, _turned_about_z(_tilted(box, float(rng.uniform(2, 40))), rng), True, "tilted block")
    radius = float(rng.uniform(10, 40))
    ball = solids.ball(radius, (0, 0, radius), level=4)
    if kind == 2:
        return Planted(34, _turned_about_z(ball, rng), True, f"ball of {radius:.1f} mm")
    cut = solids.cut(ball, solids.box((200, 200, 100), (-100, -100, -100 + 0.4 * radius)))
    return Planted(34, _turned_about_z((cut[0] - [0, 0, 0.4 * radius], cut[1]), rng), False, "ball with a flat cut")


@plants(35)
def off_the_bed(rng: np.random.Generator, bases: Bases) -> Planted:
    """A sound mesh lifted off the bed or sunk into it by a known height."""
    name, mesh = bases.pick(rng)
    off = rng.random() < 0.7
    height = float(rng.choice([-1, 1]) * rng.uniform(0.5, 50)) if off else 0.0
    vertices = mesh[0] - [0, 0, mesh[0][:, 2].min() - height]
    return Planted(35, (vertices, mesh[1]), off, f"{name} at {height:.2f} mm", measured=height if off else None, within=1e-3)


@plants(36)
def tips_over(rng: np.random.Generator, bases: Bases) -> Planted:
    """A solid cylinder standing up tips at atan(r / (h / 2)) (statics); facets bring the hull in by cos(pi / n)."""
    sides = 96
    degrees = float(rng.uniform(3, 14.6) if rng.random() < 0.6 else rng.uniform(15.4, 40))
    height = float(rng.uniform(40, 200))
    radius = height / 2 * np.tan(np.radians(degrees)) / np.cos(np.pi / sides)
    mesh = solids.tube(float(radius), 0, height, sides, rings=10)
    return Planted(36, _turned_about_z(mesh, rng), degrees < 15, f"cylinder that tips at {degrees:.2f} degrees",
                   measured=degrees if degrees < 15 else None, within=0.1)  # fmt: skip


@plants(37)
def sealed_cavity(rng: np.random.Generator, bases: Bases) -> Planted:
    """A ball-shaped cavity of known volume sealed in a solid, or vented by a pipe, or none."""
    radius = float(rng.uniform(4, 15))
    outer = solids.box((50, 50, 50), step=10)
    kind = rng.integers(0, 3)
    ball = solids.ball(radius, (25, 25, 25), level=4)
    mesh = outer if kind == 0 else solids.cut(outer, ball)
    if kind == 1:
        pin = solids.tube(2.0, 0, 40, 32)
        mesh = solids.cut(mesh, (pin[0] + [25, 25, -10], pin[1]))
    volume = 4 / 3 * np.pi * radius**3 * 0.99784  # the share a level-4 ball fills
    ticket = RESIN if rng.random() < 0.5 else MM
    return Planted(37, _turned_about_z(mesh, rng), kind == 2, ("solid", "vented", "sealed")[kind], ticket=ticket,
                   measured=volume if kind == 2 else None, within=0.005 * volume)  # fmt: skip


@plants(50)
def weak_shell(rng: np.random.Generator, bases: Bases) -> Planted:
    """A hollow ball with two drain holes; its wall either side of 1.6 mm (extrusion) or 2.0 mm (resin)."""
    resin = bool(rng.random() < 0.5)
    limit = 2.0 if resin else 1.6
    wall, weak = _either_side(rng, limit, 0.08)
    outer = float(rng.uniform(20, 35))
    mesh = solids.cut(solids.ball(outer, level=4), solids.ball(outer - wall, level=4))
    for x in (-6.0, 6.0):
        pin = solids.tube(2.0, 0, outer, 32)
        mesh = solids.cut(mesh, (pin[0] + [x, 0, -outer - 1], pin[1]))
    return Planted(50, _turned_about_z(mesh, rng), weak, f"hollow ball with a wall of {wall:.2f} mm", ticket=RESIN if resin else MM,
                   measured=wall if weak else None, within=0.03 * wall + 0.02)  # fmt: skip


@plants(51)
def undercut_groove(rng: np.random.Generator, bases: Bases) -> Planted:
    """A groove of known depth cut round a drafted column locks it in a mould pulled upward; a plain cone comes out."""
    depth = float(rng.uniform(0.5, 6))
    locked = rng.random() < 0.65
    side = [(20.0, 0.0), (19.0, 12.0)]
    if locked:
        side += [(18.9 - depth, 14.0), (18.9 - depth, 17.0), (18.5, 19.0)]
    side += [(17.0, 30.0), (0.0, 30.0), (0.0, 0.0)]
    mesh = solids.turned(side, 128)
    ticket = '[part]\nunits = "mm"\n[use]\nmould = "rigid"\npull = [0.0, 0.0, 1.0]\n'
    within = 0.05 + 0.1  # the facets of the 128-sided column bring radii in by up to 0.006; the lip is 18.5 or 19.0 as one reads it
    return Planted(51, _turned_about_z(mesh, rng), locked, f"groove {depth:.2f} mm deep" if locked else "drafted column", ticket=ticket,
                   measured=None, within=within)  # fmt: skip


@plants(52)
def deep_recess(rng: np.random.Generator, bases: Bases) -> Planted:
    """A blind round hole of known depth and width, deeper than twice its width or shallower than half of it."""
    width = float(rng.uniform(4, 8))
    deep = rng.random() < 0.6
    ratio = float(rng.uniform(2.5, 4.5) if deep else rng.uniform(0.1, 0.4))
    depth = min(width * ratio, 34.0)
    block = solids.box((40, 40, 40), step=4)
    pin = solids.tube(width / 2, 0, depth + 5, 48)
    mesh = solids.cut(block, (pin[0] + [20, 20, 40 - depth], pin[1]))
    return Planted(52, _turned_about_z(mesh, rng), deep, f"hole {width:.1f} wide and {depth:.1f} deep", measured=None)
