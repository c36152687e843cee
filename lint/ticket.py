"""The words of the ticket, the shop file and the ledger, as types. Reading and writing them is in lint/load/ticket.py.

Every table is strict: an unknown key is an error that names it. Numbers are checked for range where a range exists.
JSON Schemas of all three files are generated from these types.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Literal

from msgspec import Meta, Struct, field

Point = tuple[float, float, float]
Positive = Annotated[float, Meta(gt=0)]
Units = Literal["micron", "mm", "cm", "m", "in", "ft"]
Body = Literal["nose", "ear", "face", "head", "hand", "foot", "limb", "other"]
Step = Literal[
    "weld", "tidy", "turn", "drop", "resize", "lay", "crop", "untangle", "close", "unite", "rewrap", "calm", "thicken",
    "plug", "seat", "fill in", "hollow", "drain", "key", "mark", "mirror", "thin out", "strip", "split", "settle",
]  # fmt: skip

OTHER_SIDE: Mapping[str, Literal["left", "right", "none"]] = {"left": "right", "right": "left", "none": "none"}


class PartTable(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[part]: what the part is."""

    body: Body | None = None
    side: Literal["left", "right", "none"] = "none"
    pair: str | None = None
    units: Units | None = None
    code: str | None = None
    face: Point | None = None


class Length(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[[length]]: two points marked on the scan, in the file's own numbers, and their true distance in mm."""

    from_: Point = field(name="from")
    to: Point
    true: Positive
    name: str = ""


class Caliper(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[[caliper]]: a caliper reading of the print, in mm, between two points given in the file's own numbers."""

    from_: Point = field(name="from")
    to: Point
    read: Positive
    name: str = ""


class PrintTable(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[print]: the machine."""

    process: Literal["extrusion", "resin"] | None = None
    nozzle: Positive | None = None
    layer: Positive | None = None
    bed: tuple[Positive, Positive, Positive] | None = None


class UseTable(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[use]: what will be done with the buck."""

    mould: Literal["rigid", "flexible"] | None = None
    pull: Point | None = None
    wall: Positive | None = None
    margin: Annotated[float, Meta(ge=0)] | None = None
    base: Positive | None = None
    corner: Annotated[float, Meta(ge=0)] | None = None
    clay: Positive | None = None


class CropTable(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[[crop]]: cut away everything outside a box, or on the side of a plane that `away` points to (file numbers)."""

    low: Point | None = None
    high: Point | None = None
    point: Point | None = None
    away: Point | None = None


class FixTable(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[fix]: how far a fix may go and which steps the maker asks for."""

    allow: Literal["record", "piece", "inside", "skin"] | None = None
    steps: list[Step] = field(default_factory=list)
    crop: list[CropTable] = field(default_factory=list)


class Ticket(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """Facts about one part, kept beside it as TOML."""

    part: PartTable = field(default_factory=PartTable)
    length: list[Length] = field(default_factory=list)
    caliper: list[Caliper] = field(default_factory=list)
    print: PrintTable = field(default_factory=PrintTable)
    use: UseTable = field(default_factory=UseTable)
    fix: FixTable = field(default_factory=FixTable)


class ShopPart(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[part] of a shop file: only what can be true of a whole shelf."""

    units: Units | None = None


class Shop(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """shop.toml: the defaults of a shop or a repository. `rule` tables are checked against the rule they name."""

    edition: int = 1
    part: ShopPart = field(default_factory=ShopPart)
    print: PrintTable = field(default_factory=PrintTable)
    use: UseTable = field(default_factory=UseTable)
    fix: FixTable = field(default_factory=FixTable)
    rule: dict[str, dict[str, float | str | bool]] = field(default_factory=dict)


class Accepted(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """[[accepted]] of ledger.toml: one finding that the shop lives with. `spot` is from the part's own low corner."""

    part: str
    rule: int
    case: str
    because: str
    spot: Point | None = None
    reach: float = 0.0
    until: str | None = None


class Ledger(Struct, forbid_unknown_fields=True, omit_defaults=True):
    """ledger.toml: findings accepted with a reason."""

    accepted: list[Accepted] = field(default_factory=list)
