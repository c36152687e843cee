"""Plants for the rules of hollows (38, 39, 50) and of the sculpt and the mould (51 to 55)."""

from __future__ import annotations

import numpy as np

from corpus import solids
from tests.trial import MM, Bases, Planted, plants
from tests.trial.prints import RESIN, either_side, tilted, turned_about_z


def _pin(x: float, y: float, z: float, width: float, height: float, sides: int = 48) -> solids.Mesh:
    """A round upright pin whose foot is at (x, y, z)."""
    pin = solids.tube(width / 2, 0, height, sides)
    return pin[0] + [x, y, z], pin[1]


@plants(38)
def beaker(rng: np.random.Generator, bases: Bases) -> Planted:
    """A beaker mouth up, mouth down, on its side or with a hole in its floor; 100 mm2 and 5 mm deep are the limits."""
    inner = float(rng.uniform(6.5, 25) if rng.random() < 0.8 else rng.uniform(2, 5))
    depth = float(rng.uniform(5.5, 40) if rng.random() < 0.8 else rng.uniform(1, 4.5))
    area = 96 / 2 * inner**2 * float(np.sin(2 * np.pi / 96))
    mesh = solids.turned([(0.0, 0.0), (inner + 4, 0.0), (inner + 4, depth + 5), (inner, depth + 5), (inner, 5.0), (0.0, 5.0)], 96)
    kind = int(rng.integers(0, 6))
    if kind == 0:
        mesh = solids.cut(mesh, _pin(0, 0, -1, min(4.0, inner), 20))
    elif kind == 1:
        mesh = mesh[0] * [1, -1, -1] + [0, 0, depth + 5], mesh[1]
    elif kind == 2:
        mesh = tilted(mesh, 90.0)
    sucks = kind > 2 and area > 100 and depth > 5
    how = ("holed", "mouth down", "on its side")[kind] if kind < 3 else "mouth up"
    return Planted(38, turned_about_z(mesh, rng), sucks, f"beaker {depth:.1f} mm deep and {inner:.1f} mm in radius, {how}", ticket=RESIN,
                   measured=area if sucks else None, within=0.01 * area, count=1 if sucks else None)  # fmt: skip


@plants(39)
def block_or_ball(rng: np.random.Generator, bases: Bases) -> Planted:
    """A solid box or ball: what lies deeper than the wall is a smaller box or ball. A hollow one is never told of."""
    wall = float(rng.choice([2.0, 3.0, 5.0]))
    ticket = f"{MM}[use]\nwall = {wall}\n"
    if rng.random() < 0.5:
        size = rng.uniform(15, 90, 3)
        mesh = solids.box(size, step=6)
        whole, saved = float(size.prod()), float(np.maximum(size - 2 * wall, 0).prod())
        least, name = float(size.min()), f"box {np.round(size, 1)}"
    else:
        radius = float(rng.uniform(10, 45))
        mesh = solids.ball(radius, (0, 0, radius), level=5)
        whole, saved = 4 / 3 * np.pi * radius**3, 4 / 3 * np.pi * max(radius - wall, 0) ** 3
        least, name = 2 * radius, f"ball of {radius:.1f} mm"
    nearness = np.array([saved / 20_000, saved / (0.3 * whole), 0.6 * least / (2 * wall)])
    if (np.abs(nearness - 1) < 0.06).any():  # sampled: too near a limit to plant
        return Planted(39, solids.box((100, 100, 100), step=10), True, "block of 100 mm", ticket=ticket,
                       measured=float((100 - 2 * wall) ** 3 / 1000), within=0.02 * (100 - 2 * wall) ** 3 / 1000, count=1)  # fmt: skip
    heavy = bool((nearness > 1).all())
    if heavy and rng.random() < 0.2:
        middle = mesh[0].mean(axis=0) if name.startswith("ball") else (mesh[0].max(axis=0) + mesh[0].min(axis=0)) / 2
        hollow = solids.cut(mesh, ((mesh[0] - middle) * 0.7 + middle, mesh[1]))
        return Planted(39, turned_about_z(hollow, rng), False, f"{name}, hollow", ticket=ticket)
    return Planted(39, turned_about_z(mesh, rng), heavy, f"{name} at a wall of {wall}", ticket=ticket,
                   measured=saved / 1000 if heavy else None, within=0.02 * saved / 1000, count=1 if heavy else None)  # fmt: skip


@plants(50)
def weak_ball(rng: np.random.Generator, bases: Bases) -> Planted:
    """A hollow ball with two drain holes; its wall either side of 1.6 mm (extrusion) or 2.0 mm (resin)."""
    resin = bool(rng.random() < 0.5)
    limit = 2.0 if resin else 1.6
    wall, weak = either_side(rng, limit, 0.03)
    outer = float(rng.uniform(20, 35))
    mesh = solids.cut(solids.ball(outer, level=4), solids.ball(outer - wall, level=4))
    for x in (-6.0, 6.0):
        mesh = solids.cut(mesh, _pin(x, 0, -outer - 1, 4.0, outer, 32))
    return Planted(50, turned_about_z(mesh, rng), weak, f"hollow ball with a wall of {wall:.2f} mm", ticket=RESIN if resin else MM,
                   measured=wall if weak else None, within=max(0.02, 0.01 * wall))  # fmt: skip


@plants(50)
def weak_box(rng: np.random.Generator, bases: Bases) -> Planted:
    """A box hollow in the middle, sealed, drained below or open below like a bell, with one thin side of known thickness."""
    resin = bool(rng.random() < 0.5)
    wall, weak = either_side(rng, 2.0 if resin else 1.6, 0.03)
    size = rng.uniform(30, 60, 3)
    kind = int(rng.integers(0, 3))
    low = np.array([wall, 5.0, 5.0 if kind else -1.0])
    inside = size - [wall + 5, 10, low[2] + 5]
    mesh = solids.cut(solids.box(size, step=5), solids.box(inside, low, step=5))
    if kind == 1:
        mesh = solids.cut(mesh, _pin(size[0] / 2, size[1] / 2, -1, 5.0, 10.0))
    return Planted(50, turned_about_z(mesh, rng), weak, f"{('bell', 'drained box', 'sealed box')[kind]} with a side of {wall:.3f} mm",
                   ticket=RESIN if resin else MM, measured=wall if weak else None, within=max(0.02, 0.01 * wall),
                   count=1 if weak else None)  # fmt: skip


@plants(50)
def thin_but_solid(rng: np.random.Generator, bases: Bases) -> Planted:
    """A thin fin on a solid block is for rule 30: there is no hollow."""
    fin = solids.box((30, float(rng.uniform(0.5, 1.5)), 30), (5, 15, 9.0), step=3)
    return Planted(50, turned_about_z(solids.fused(solids.box((40, 30, 10), step=4), fin), rng), False, "fin on a block")


FLEXIBLE = f'{MM}[use]\nmould = "flexible"\npull = [0.0, 0.0, 1.0]\n'


def _pulled(rng: np.random.Generator) -> tuple[str, float]:
    """A ticket with an upward pull, and the depth that it allows."""
    mould = str(rng.choice(["rigid", "flexible"]))
    return FLEXIBLE.replace("flexible", mould), 3.0 if mould == "flexible" else 0.2


@plants(51)
def groove(rng: np.random.Generator, bases: Bases) -> Planted:
    """A groove round a drafted column goes a known way in behind the lip over it; the mould must give that far."""
    ticket, limit = _pulled(rng)
    locked = bool(rng.random() < 0.65)
    depth = limit + float(rng.uniform(0.1, 6)) if locked else limit * float(rng.uniform(0.1, 0.8))
    lip = 18.5
    side = [(20.0, 0.0), (19.0, 12.0), (lip - depth, 14.0), (lip - depth - 0.25, 17.0), (lip, 19.0), (17.0, 30.0), (0.0, 30.0), (0.0, 0.0)]
    mesh = solids.turned(side, 128)
    deep = (depth + 0.25) * float(np.cos(np.pi / 128))
    if not locked and deep > limit:
        mesh, deep = solids.turned([(20.0, 0.0), (17.0, 30.0), (0.0, 30.0), (0.0, 0.0)], 128), 0.0
    return Planted(51, turned_about_z(mesh, rng), locked, f"groove {deep:.2f} mm deep where {limit} is allowed", ticket=ticket,
                   measured=deep if locked else None, within=0.05, count=1 if locked else None)  # fmt: skip


@plants(51)
def side_hole(rng: np.random.Generator, bases: Bases) -> Planted:
    """A hole drilled level into the side of a block locks as deep as it goes; one drilled from above does not."""
    ticket = FLEXIBLE
    depth, width = float(rng.uniform(3.3, 20)), float(rng.uniform(4, 12))
    pin = solids.tube(width / 2, 0, depth + 5, 64)
    block = solids.box((40, 40, 40), step=5)
    above = bool(rng.random() < 0.3)
    if above:
        mesh = solids.cut(block, (pin[0] + [20, 20, 40 - depth], pin[1]))
    else:
        lying = pin[0][:, [2, 0, 1]] + [40 - depth, 20, 20]
        mesh = solids.cut(block, (lying, pin[1]))
    why = f"hole {depth:.2f} mm deep and {width:.1f} mm wide from {'above' if above else 'the side'}"
    return Planted(51, turned_about_z(mesh, rng), not above, why, ticket=ticket, measured=None if above else depth, within=0.05,
                   count=None if above else 1)  # fmt: skip


@plants(51)
def ball_on_its_flat(rng: np.random.Generator, bases: Bases) -> Planted:
    """A ball cut flat below its middle locks by its radius less that of the flat; a dome cut at or above it comes out."""
    radius = float(rng.uniform(12, 30))
    dome = bool(rng.random() < 0.3)
    at = float(rng.uniform(0.05, 0.3) if dome else rng.uniform(-0.9, -0.6)) * radius
    mesh = solids.cut(solids.ball(radius, level=5), solids.box((200, 200, 100), (-100, -100, at - 100)))
    deep = radius - float(np.sqrt(radius**2 - at**2))
    locked = not dome and deep > 3.2
    if not dome and 2.8 < deep <= 3.2:
        mesh, locked = solids.box((30, 30, 30), step=5), False
    return Planted(51, turned_about_z((mesh[0] - [0, 0, at], mesh[1]), rng), locked, f"ball of {radius:.1f} mm cut at {at:.1f}",
                   ticket=FLEXIBLE, measured=deep if locked else None, within=0.05)  # fmt: skip


@plants(51)
def hollow_below(rng: np.random.Generator, bases: Bases) -> Planted:
    """A drafted cone comes out, solid, like a bell, drained through its base or sealed hollow; with a hole in its side it does not."""
    low, high, tall = float(rng.uniform(20, 30)), float(rng.uniform(10, 16)), float(rng.uniform(25, 45))
    cone = solids.turned([(0.0, 0.0), (low, 0.0), (high, tall), (0.0, tall)], 96)
    ball = solids.ball(high - 4, (0, 0, tall / 2), level=3)
    kind = int(rng.integers(0, 5))
    mesh = cone if kind == 0 else solids.cut(cone, ball)
    if kind in (1, 2):
        mesh = solids.cut(mesh, _pin(0, 0, -1, (6.0, 2 * (high - 4))[kind - 1], tall / 2))
    if kind == 4:
        pin = solids.tube(2.5, 0, 60, 32)
        mesh = solids.cut(mesh, (pin[0][:, [2, 0, 1]] + np.array([0, 0, tall / 2]), pin[1]))
    word = ("solid", "drained", "like a bell", "with a sealed hollow", "hollow with a hole in its side")[kind]
    ticket, _ = _pulled(rng)
    return Planted(51, turned_about_z(mesh, rng), kind == 4, f"cone, {word}", ticket=ticket)


@plants(52)
def deep_recess(rng: np.random.Generator, bases: Bases) -> Planted:
    """A blind round hole of known depth and width from above or from the side, deeper or shallower than it is wide; none in the base."""
    width = float(rng.uniform(4.8, 8))
    deep = bool(rng.random() < 0.6)
    depth = width * float(rng.uniform(1.15, 4.0) if deep else rng.uniform(0.3, 0.85))
    pin = solids.tube(width / 2, 0, depth + 5, 64)
    kind = int(rng.integers(0, 3))
    if kind == 0:
        at = pin[0] + [20, 20, 40 - depth]
    elif kind == 1:
        at = pin[0][:, [2, 0, 1]] + [40 - depth, 20, 20]
    else:
        at = pin[0] * [1, -1, -1] + [20, 20, depth]
    mesh = solids.cut(solids.box((40, 40, 40), step=4), (at, pin[1]))
    speaks = deep and kind != 2
    why = f"hole {width:.1f} wide and {depth:.1f} deep from {('above', 'the side', 'below')[kind]}"
    return Planted(52, turned_about_z(mesh, rng), speaks, why, measured=depth / width if speaks else None, within=0.02 * depth / width,
                   count=1 if speaks else None)  # fmt: skip


@plants(52)
def slit(rng: np.random.Generator, bases: Bases) -> Planted:
    """A slit of known width and depth cut into the top of a block."""
    width = float(rng.uniform(1.0, 8))
    deep = bool(rng.random() < 0.6)
    depth = max(width * float(rng.uniform(1.15, 4.0)), 4.3) if deep else float(rng.uniform(0.3, 0.85)) * width
    mesh = solids.cut(solids.box((40, 40, 40), step=4), solids.box((24, width, depth + 5), (8, 15, 40 - depth), step=4))
    return Planted(52, turned_about_z(mesh, rng), deep, f"slit {width:.2f} wide and {depth:.2f} deep", count=1 if deep else None)


@plants(53)
def land(rng: np.random.Generator, bases: Bases) -> Planted:
    """A cone or a dome on a round or square base: the land is as wide as the base reaches past the foot."""
    asked, foot = float(rng.uniform(8, 30)), float(rng.uniform(10, 25))
    narrow = bool(rng.random() < 0.6)
    wide = float(rng.uniform(2, asked - 1.2) if narrow else rng.uniform(asked + 0.3, asked + 15))
    high = float(rng.uniform(5, 12))
    if rng.random() < 0.5:
        mesh = solids.turned([(0.0, 0.0), (foot + wide, 0.0), (foot + wide, high), (foot, high), (4.0, high + 40), (0.0, high + 40)], 128)
        within = 0.02 + (foot + wide) * (1 - np.cos(np.pi / 128))
        name = "cone on a disc"
    else:
        half = foot + wide
        base = solids.box((2 * half, 2 * half + 20, high), (-half, -half - 10, 0), step=5)
        body = solids.turned([(0.0, high - 1), (foot, high - 1), (foot, high), (foot * 0.6, high + 25), (0.0, high + 30)], 128)
        mesh, within, name = solids.fused(base, body), 0.1, "cone on a block"
    return Planted(53, turned_about_z(mesh, rng), narrow, f"{name}, {wide:.2f} mm of land where {asked:.1f} are asked for",
                   ticket=f"{MM}[use]\nmargin = {asked!r}\n", measured=wide if narrow else None, within=float(within), count=1)  # fmt: skip


@plants(54)
def sockets(rng: np.random.Generator, bases: Bases) -> Planted:
    """A block with none to five round sockets in its base; square ones and a drain into a hollow are no keys; three in a line rock."""
    mesh = solids.box((80.0, 80.0, 40.0), step=8)
    many = int(rng.integers(0, 6))
    spots = rng.permutation([(12.0, 12.0), (66.0, 14.0), (40.0, 66.0), (14.0, 62.0), (64.0, 62.0)])[:many]
    line = bool(rng.random() < 0.15)
    if line:
        many, spots = 3, np.array([(14.0, 20.0), (40.0, 20.0), (66.0, 20.0)])
    width, depth = float(rng.uniform(4, 12)), float(rng.uniform(2, 12))
    for x, y in spots:
        mesh = solids.cut(mesh, _pin(x, y, -5, width, depth + 5))
    others = int(rng.integers(0, 3))
    if others == 1:
        mesh = solids.cut(mesh, solids.box((8, 8, 15), (36, 36, -10)))
    elif others == 2:
        mesh = solids.cut(mesh, solids.box((30, 30, 10), (25, 28, 25)))
        mesh = solids.cut(mesh, _pin(40, 43, -5, 5.0, 32))
    speaks = many < 3 or line
    why = f"{many} sockets{' in a line' if line else ''}{('', ' and a square one', ' and a drain')[others]}"
    return Planted(54, turned_about_z(mesh, rng), speaks, why, measured=float(many) if speaks else None, within=0.0,
                   count=1 if speaks else None)  # fmt: skip


@plants(55)
def marks(rng: np.random.Generator, bases: Bases) -> Planted:
    """A letter cut into the base, or only round sockets, or nothing."""
    mesh = solids.box((60.0, 60.0, 25.0), step=6)
    kind = int(rng.integers(0, 4))
    stroke, depth, tall = float(rng.uniform(0.8, 2.5)), float(rng.uniform(0.4, 3)), float(rng.uniform(6, 14))
    if kind in (1, 3):
        mesh = solids.cut(mesh, _pin(15, 30, -5, float(rng.uniform(4, 10)), 10))
    if kind >= 2:
        upright = solids.box((stroke, tall, depth + 2), (34, 20, -2))
        foot = solids.box((0.6 * tall, stroke, depth + 2), (34, 20, -2))
        mesh = solids.cut(solids.cut(mesh, upright), foot)
    word = ("nothing", "a socket", "an L", "an L and a socket")[kind]
    return Planted(55, turned_about_z(mesh, rng), kind < 2, f"{word} in the base ({tall:.1f} mm tall, {stroke:.1f} wide, {depth:.1f} deep)",
                   measured=0.0 if kind < 2 else None, count=1 if kind < 2 else None)  # fmt: skip
