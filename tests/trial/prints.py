"""Plants for the rules of the print (30 to 37)."""

from __future__ import annotations

import numpy as np

from corpus import solids
from tests.trial import MM, Bases, Planted, plants

RESIN = '[part]\nunits = "mm"\n[print]\nprocess = "resin"\n'


def turned_about_z(mesh: solids.Mesh, rng: np.random.Generator) -> solids.Mesh:
    a = float(rng.uniform(0, 2 * np.pi))
    turn = np.array([[np.cos(a), -np.sin(a), 0], [np.sin(a), np.cos(a), 0], [0, 0, 1.0]])
    return mesh[0] @ turn.T + np.append(rng.uniform(-200, 200, 2), 0), mesh[1]


def tilted(mesh: solids.Mesh, degrees: float) -> solids.Mesh:
    a = np.radians(degrees)
    turn = np.array([[1, 0, 0], [0, np.cos(a), -np.sin(a)], [0, np.sin(a), np.cos(a)]])
    moved = mesh[0] @ turn.T
    return moved - [0, 0, moved[:, 2].min()], mesh[1]


def either_side(rng: np.random.Generator, limit: float, margin: float = 0.03) -> tuple[float, bool]:
    """A size under or over a limit, never nearer to it than `margin` of it; and whether it is under."""
    under = bool(rng.random() < 0.6)
    share = float(rng.uniform(0.3, 1 - margin) if under else rng.uniform(1 + margin, 3.0))
    return limit * share, under


@plants(30)
def thin_plate(rng: np.random.Generator, bases: Bases) -> Planted:
    """A plate standing on a block, of a thickness either side of two nozzles of 0.4 mm."""
    thick, thin = either_side(rng, 0.8)
    step = float(rng.choice([1.0, 2.0, 4.0]))
    block = solids.box((40, 30, 10), step=step)
    plate = solids.box((30, thick, 30), (5, 15, 9.0), step=step)
    return Planted(30, turned_about_z(solids.fused(block, plate), rng), thin, f"plate of {thick:.3f} mm", measured=thick if thin else None,
                   within=max(0.02, 0.01 * thick), count=1 if thin else None)  # fmt: skip


@plants(30)
def thin_pipe(rng: np.random.Generator, bases: Bases) -> Planted:
    """A pipe whose wall is either side of two nozzles; facets make it thinner by the sag, which is allowed for."""
    thick, thin = either_side(rng, 0.8, 0.05)
    outer = float(rng.uniform(8, 25))
    mesh = solids.tube(outer, outer - thick, float(rng.uniform(10, 40)), sides=int(rng.choice([64, 96, 128])), rings=8)
    return Planted(30, turned_about_z(mesh, rng), thin, f"pipe of {outer:.1f} mm with a wall of {thick:.3f} mm",
                   measured=thick if thin else None, within=max(0.02, 0.01 * thick))  # fmt: skip


@plants(30)
def thin_rod(rng: np.random.Generator, bases: Bases) -> Planted:
    """A rod standing on a block, its middle width either side of two nozzles; flats lie cos(pi / n) nearer."""
    thick, thin = either_side(rng, 0.8, 0.08)
    sides = int(rng.choice([24, 32, 48]))
    rod = solids.tube(thick / 2, 0.0, 20.0, sides, rings=10)
    mesh = solids.fused(solids.box((20, 20, 6), step=4), (rod[0] + [10, 10, 5], rod[1]))
    across = thick * float(np.cos(np.pi / sides))
    return Planted(30, turned_about_z(mesh, rng), thin, f"rod of {thick:.3f} mm with {sides} sides", measured=across if thin else None,
                   within=max(0.02, 0.01 * thick))  # fmt: skip


@plants(30)
def thin_ball(rng: np.random.Generator, bases: Bases) -> Planted:
    """A hollow ball whose two skins are alike, so that their flats lie parallel and nearer by the cosine of their half width."""
    thick, thin = either_side(rng, 0.8, 0.05)
    outer = float(rng.uniform(10, 30))
    out, inner = solids.ball(outer, level=4), solids.ball(outer - thick, level=4)
    return Planted(30, solids.joined(out, solids.flipped(inner)), thin, f"hollow ball with a wall of {thick:.3f} mm",
                   measured=thick if thin else None, within=max(0.02, 0.01 * thick), count=1 if thin else None)  # fmt: skip


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
    return Planted(30, turned_about_z(mesh, rng), False, ("box", "cone", "wedge")[kind])


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
    wide, narrow = either_side(rng, 0.5, 0.05)
    step = float(rng.choice([1.0, 2.0, 4.0]))
    mesh = solids.cut(solids.box((40, 30, 20), step=step), solids.box((60, wide, 15), (-10, 12.3, 10), step=step))
    return Planted(31, turned_about_z(mesh, rng), narrow, f"slot of {wide:.3f} mm", measured=wide if narrow else None, within=0.02,
                   count=1 if narrow else None)  # fmt: skip


@plants(31)
def fingers(rng: np.random.Generator, bases: Bases) -> Planted:
    """Two round columns side by side on a block, the air between them either side of 0.5 mm at its narrowest."""
    wide, narrow = either_side(rng, 0.5, 0.15)
    radius, sides = float(rng.uniform(5, 12)), 128
    flat = radius * float(np.cos(np.pi / sides))
    turn = np.pi / sides  # so that two flats, not two corners, face each other
    spin = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1.0]])
    column = solids.tube(radius, 0.0, 30.0, sides, rings=12)
    mesh = solids.box((60, 30, 6), (-30, -15, -5.5), step=5)
    for side in (-1, 1):
        mesh = solids.fused(mesh, (column[0] @ spin.T + [side * (flat + wide / 2), 0, 0], column[1]))
    return Planted(31, turned_about_z(mesh, rng), narrow, f"columns of {radius:.1f} mm, {wide:.3f} mm apart",
                   measured=wide if narrow else None, within=0.02, count=1 if narrow else None)  # fmt: skip


@plants(31)
def creases_are_no_gap(rng: np.random.Generator, bases: Bases) -> Planted:
    """A notch of 40 degrees or more, cut sharp, is narrow at its bottom and no gap."""
    half = float(np.tan(np.radians(rng.uniform(40, 90) / 2))) * 12
    wedge = np.array([[0, 0, 0], [-half, 0, 12.0], [half, 0, 12.0]])
    vertices = np.vstack([wedge + np.array([0, y, 0]) for y in (-30, 30)])
    faces = np.array([[0, 1, 2], [3, 5, 4], [0, 4, 1], [0, 3, 4], [1, 4, 5], [1, 5, 2], [2, 5, 3], [2, 3, 0]])
    if np.einsum("ij,ij->i", vertices[faces[:, 0]], np.cross(vertices[faces[:, 1]], vertices[faces[:, 2]])).sum() < 0:
        faces = faces[:, ::-1]
    mesh = solids.cut(solids.box((40, 30, 20), (-20, -15, 0), step=2), (vertices + np.array([0, 0, 12]), faces))
    return Planted(31, turned_about_z(mesh, rng), False, f"notch {2 * half:.1f} mm wide at 12 mm")


@plants(32)
def ledge(rng: np.random.Generator, bases: Bases) -> Planted:
    """A level ledge of known reach on a column: its area and its reach are exact; 1 mm is let pass."""
    far = bool(rng.random() < 0.6)
    reach = float(rng.uniform(1.2, 20) if far else rng.uniform(0.3, 0.85))
    wide = float(rng.uniform(12, 30))
    step = float(rng.choice([1.5, 3.0, 6.0]))
    mesh = solids.fused(solids.box((15, wide, 30), step=step), solids.box((15 + reach, wide, 8), (0, 0, 22), step=step))
    return Planted(32, turned_about_z(mesh, rng), far, f"ledge of {reach:.2f} mm", measured=reach * wide if far else None,
                   within=0.01 * reach * wide, count=1 if far else None,
                   says=(r"reaches ([\d.]+) mm", reach, 0.06) if far else None)  # fmt: skip


@plants(32)
def bridge(rng: np.random.Generator, bases: Bases) -> Planted:
    """A deck on two posts: a bridge of known span, let pass up to 5 mm."""
    long = bool(rng.random() < 0.7)
    span, wide = float(rng.uniform(5.3, 40) if long else rng.uniform(1.5, 4.7)), float(rng.uniform(8, 20))
    step = float(rng.choice([1.5, 3.0, 6.0]))
    mesh = solids.box((span + 16, wide, 6), (0, 0, 20), step=step)
    for at in (0.0, span + 8):
        mesh = solids.fused(mesh, solids.box((8, wide, 21), (at, 0, 0), step=step))
    return Planted(32, turned_about_z(mesh, rng), long, f"bridge of {span:.2f} mm", measured=span if long else None, within=0.05,
                   count=1 if long else None)  # fmt: skip


@plants(32)
def ball_on_a_post(rng: np.random.Generator, bases: Bases) -> Planted:
    """A ball let into a post: below 45 degrees it overhangs, 2 pi R^2 (cos a - cos 45) less the post at a."""
    radius = float(rng.uniform(10, 25))
    post = radius * float(rng.uniform(0.2, 0.4))
    dip = radius - float(np.sqrt(radius**2 - post**2))
    mesh = solids.fused(solids.ball(radius, (0, 0, 20 + radius), level=5), solids.tube(post, 0, 20 + dip, 128))
    area = 2 * np.pi * radius**2 * (float(np.sqrt(1 - (post / radius) ** 2)) - np.sqrt(0.5))
    return Planted(32, turned_about_z(mesh, rng), True, f"ball of {radius:.1f} mm on a post of {post:.1f} mm", measured=float(area),
                   within=0.01 * float(area), count=1)  # fmt: skip


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
    return Planted(32, turned_about_z(mesh, rng), hangs, f"cone hanging at {degrees:.1f} degrees",
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
    return Planted(33, turned_about_z(mesh, rng), not reaches, f"peg from {low:.1f} mm up", measured=None if reaches else 19.5 - low,
                   within=0.02, count=1 if not reaches else None)  # fmt: skip


@plants(33)
def table_legs(rng: np.random.Generator, bases: Bases) -> Planted:
    """A table whose legs all reach the bed, or one or two of which end above it; a pit in its top begins nothing."""
    short = int(rng.integers(0, 3))
    mesh = solids.cut(solids.box((40, 40, 10), (0, 0, 25), step=5), solids.box((10, 10, 8), (15, 15, 30)))
    up = float(rng.uniform(1, 20))
    for k, (x, y) in enumerate([(0, 0), (34, 0), (34, 34), (0, 34)]):
        low = up if k < short else 0.0
        mesh = solids.fused(mesh, solids.box((6, 6, 26 - low), (x, y, low), step=3))
    return Planted(33, turned_about_z(mesh, rng), short > 0, f"table with {short} legs ending {up:.1f} mm up",
                   measured=25 - up if short else None, within=0.02, count=short or None)  # fmt: skip


@plants(33)
def drop_under_a_hood(rng: np.random.Generator, bases: Bases) -> Planted:
    """A round drop under an overhanging hood begins in mid-air; a hood with a smooth underside rising outward does not."""
    drop = bool(rng.random() < 0.5)
    mesh = solids.turned([(0.0, 0.0), (8.0, 0.0), (8.0, 20.0), (25.0, 26.0), (25.0, 40.0), (0.0, 40.0)], 96)
    low = 0.0
    if drop:
        radius = float(rng.uniform(2, 4))
        low = float(rng.uniform(6, 19))
        wire = _pin(17, 0, low + radius, radius, 30 - low)
        mesh = solids.fused(mesh, solids.fused(solids.ball(radius, (17, 0, low + radius), level=3), wire))
    return Planted(33, turned_about_z(mesh, rng), drop, f"hood with a drop {low:.1f} mm up" if drop else "hood", count=1 if drop else None)


def _pin(x: float, y: float, z: float, width: float, height: float) -> solids.Mesh:
    pin = solids.tube(width / 2, 0, height, 32)
    return pin[0] + [x, y, z], pin[1]


@plants(34)
def no_flat_base(rng: np.random.Generator, bases: Bases) -> Planted:
    """A block flat on the bed, or tilted; a ball, or a ball with its underside cut."""
    kind = rng.integers(0, 4)
    box = solids.box(rng.uniform(20, 60, 3), step=5)
    if kind == 0:
        return Planted(34, turned_about_z(box, rng), False, "block flat on the bed")
    if kind == 1:
        return Planted(34, turned_about_z(tilted(box, float(rng.uniform(2, 40))), rng), True, "tilted block")
    radius = float(rng.uniform(10, 40))
    ball = solids.ball(radius, (0, 0, radius), level=4)
    if kind == 2:
        return Planted(34, turned_about_z(ball, rng), True, f"ball of {radius:.1f} mm")
    cut = solids.cut(ball, solids.box((200, 200, 100), (-100, -100, -100 + 0.4 * radius)))
    return Planted(34, turned_about_z((cut[0] - [0, 0, 0.4 * radius], cut[1]), rng), False, "ball with a flat cut")


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
    return Planted(36, turned_about_z(mesh, rng), degrees < 15, f"cylinder that tips at {degrees:.2f} degrees",
                   measured=degrees if degrees < 15 else None, within=0.1)  # fmt: skip


@plants(36)
def box_tips(rng: np.random.Generator, bases: Bases) -> Planted:
    """A box tips over its narrower side at atan(b / h) (statics)."""
    degrees = float(rng.uniform(3, 14.6) if rng.random() < 0.6 else rng.uniform(15.4, 40))
    height = float(rng.uniform(40, 200))
    narrow = height * float(np.tan(np.radians(degrees)))
    mesh = solids.box((narrow, narrow * float(rng.uniform(1.0, 2.0)), height), step=height / 10)
    return Planted(36, turned_about_z(mesh, rng), degrees < 15, f"box that tips at {degrees:.2f} degrees",
                   measured=degrees if degrees < 15 else None, within=0.1)  # fmt: skip


@plants(36)
def top_heavy(rng: np.random.Generator, bases: Bases) -> Planted:
    """A disc on a stem, set off to one side: the centre of mass is that of two cylinders (statics)."""
    sides, low, high = 96, float(rng.uniform(10, 20)), float(rng.uniform(12, 30))
    stem, plate, off = float(rng.uniform(30, 80)), float(rng.uniform(8, 20)), float(rng.uniform(0, 6))
    top = solids.tube(high, 0, plate, sides, rings=3)
    mesh = solids.fused(solids.tube(low, 0, stem, sides, rings=8), (top[0] + [off, 0, stem - 0.5], top[1]))
    one, two = low**2 * (stem - 0.5), high**2 * plate  # both of as many sides, so their shares are those of the circles
    height = (one * (stem - 0.5) / 2 + two * (stem - 0.5 + plate / 2)) / (one + two)
    edge = low * np.cos(np.pi / sides)  # a corner points to +x; the flats beside it come nearest
    away = two * off / (one + two)
    angles = 2 * np.pi * (np.arange(sides) + 0.5) / sides
    margin = float((edge - away * np.cos(angles)).min())
    degrees = float(np.degrees(np.arctan2(margin, height)))
    if abs(degrees - 15) < 0.3:
        return Planted(36, solids.box((40, 40, 40), step=5), False, "cube")
    return Planted(36, turned_about_z(mesh, rng), degrees < 15, f"disc on a stem that tips at {degrees:.2f} degrees",
                   measured=degrees if degrees < 15 else None, within=0.1)  # fmt: skip


@plants(37)
def several_cavities(rng: np.random.Generator, bases: Bases) -> Planted:
    """None to three sealed boxes in a block; a bubble below 10 mm3 is let pass."""
    many = int(rng.integers(0, 4))
    mesh = solids.box((60, 40, 40), step=10)
    first = 0.0
    for k in range(many):
        size = rng.uniform(3, 12, 3)
        first = first or float(size.prod())
        mesh = solids.cut(mesh, solids.box(size, (5 + 18 * k, 10, 10), step=4))
    bubble = rng.random() < 0.5
    if bubble:
        mesh = solids.cut(mesh, solids.box((1.5, 1.5, 1.5), (5, 30, 30)))
    return Planted(37, turned_about_z(mesh, rng), many > 0, f"{many} cavities{' and a bubble' if bubble else ''}",
                   measured=first if many else None, within=0.005 * first, count=many or None)  # fmt: skip


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
    return Planted(37, turned_about_z(mesh, rng), kind == 2, ("solid", "vented", "sealed")[kind], ticket=ticket,
                   measured=volume if kind == 2 else None, within=0.005 * volume)  # fmt: skip
