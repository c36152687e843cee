"""The facts one run goes by, each with who said it: flags over the ticket, the ticket over the shop file, else edition 1.

Nothing here measures. A fact nobody gave stays None, and a rule that needs it is not run.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from lint.terms import BadInput, LimitUsed, NotRun, Part, Rule, Touch, Weight
from lint.ticket import Shop, Ticket

EDITION = 1

# Edition 1 defaults. Nozzle and layer: the machine most shops have (common practice, no source);
# wall: facts 1.7.4 (give of a clamped disc under a thumb, derived); base height: common practice, no source.
DEFAULTS: Mapping[str, Any] = {
    "process": "extrusion",
    "nozzle": 0.4,
    "layer": 0.2,
    "wall": 3.0,
    "base": 10.0,
    "corner": 0.0,
}

NAMES = ("process", "nozzle", "layer", "bed", "mould", "pull", "wall", "margin", "base", "corner", "clay", "allow", "units")


@dataclass(frozen=True)
class Tuning:
    """What a shop file says about one rule: other limits, another weight or off, always with a reason."""

    because: str
    limits: Mapping[str, float] = field(default_factory=dict)
    weight: Weight | None = None
    off: bool = False
    set_by: str = "shop.toml"


@dataclass(frozen=True)
class Settings:
    """The facts of one run. Lengths in mm. `set_by` maps each name to who said it."""

    process: str = "extrusion"
    nozzle: float = 0.4
    layer: float = 0.2
    bed: tuple[float, float, float] | None = None
    mould: str | None = None
    pull: tuple[float, float, float] | None = None
    wall: float = 3.0
    margin: float | None = None
    base: float = 10.0
    corner: float = 0.0
    clay: float | None = None
    allow: Touch = Touch.SKIN
    units: str | None = None
    steps: tuple[str, ...] = ()
    edition: int = EDITION
    repository: bool = False
    tuning: Mapping[int, Tuning] = field(default_factory=dict)
    set_by: Mapping[str, str] = field(default_factory=dict)

    def limits_of(self, rule: Rule) -> dict[str, LimitUsed]:
        """Every limit of a rule as used here, with who set it."""
        tuned = self.tuning.get(rule.number)
        used: dict[str, LimitUsed] = {}
        for name, limit in rule.limits.items():
            if tuned is not None and name in tuned.limits:
                used[name] = LimitUsed(tuned.limits[name], limit.unit, f"{tuned.set_by}: {tuned.because}")
            elif callable(limit.default):
                used[name] = LimitUsed(float(limit.default(self)), limit.unit, f"edition {self.edition}, from the settings")
            else:
                used[name] = LimitUsed(float(limit.default), limit.unit, f"edition {self.edition}")
        return used


def gather(ticket: Ticket, shop: Shop | None = None, flags: Mapping[str, Any] | None = None, *, shop_name: str = "shop.toml",
           rules: Mapping[int, Rule] | None = None) -> Settings:
    """One Settings from flags, ticket, shop file and edition, in that order of say. Raises BadInput for bad rule tables."""
    shop = shop or Shop()
    flags = {k: v for k, v in (flags or {}).items() if v is not None}
    if shop.edition != EDITION:
        raise BadInput(f"{shop_name}: edition = {shop.edition}: this version knows edition {EDITION}; write edition = {EDITION}")
    values: dict[str, Any] = {}
    set_by: dict[str, str] = {}
    for name in NAMES:
        for who, value in (
            (f"--{name}", flags.get(name)),
            ("the ticket", _said(ticket, name)),
            (shop_name, _said(shop, name)),
            (f"edition {EDITION}", DEFAULTS.get(name)),
        ):
            if value is not None:
                values[name], set_by[name] = value, who
                break
    allow = values.pop("allow", None)
    if allow is not None:
        values["allow"] = allow if isinstance(allow, Touch) else Touch[str(allow).upper()]
    steps: tuple[str, ...] = ()
    for who, asked in (("--step", flags.get("steps")), ("the ticket", ticket.fix.steps), (shop_name, shop.fix.steps)):
        if asked:
            steps, set_by["steps"] = tuple(asked), who
            break
    known = {f.name for f in fields(Settings)}
    return Settings(
        **{k: v for k, v in values.items() if k in known},
        steps=steps,
        repository=bool(flags.get("repository", False)),
        edition=shop.edition,
        tuning=_tunings(shop, shop_name, rules),
        set_by=set_by,
    )


def _said(table: Ticket | Shop, name: str) -> Any:
    for part in (table.print, table.use, table.fix, table.part):
        if hasattr(part, name):
            return getattr(part, name)
    return None


def _tunings(shop: Shop, shop_name: str, rules: Mapping[int, Rule] | None) -> dict[int, Tuning]:
    found: dict[int, Tuning] = {}
    for key, table in shop.rule.items():
        place = f"{shop_name}: [rule.{key}]"
        if not key.isdecimal() or (rules is not None and int(key) not in rules):
            raise BadInput(f"{place}: there is no such rule; `buckwright rules` lists them")
        because = table.get("because")
        if not isinstance(because, str) or not because.strip():
            raise BadInput(f"{place}: a tuned rule needs a reason: add because = \"...\"")
        limits: dict[str, float] = {}
        weight: Weight | None = None
        for name, value in table.items():
            if name in ("because", "off"):
                continue
            if name == "weight":
                if not isinstance(value, str) or value.upper() not in Weight.__members__:
                    raise BadInput(f"{place}: weight = {value!r}: write \"note\", \"caution\" or \"stop\"")
                weight = Weight[value.upper()]
            elif isinstance(value, bool) or not isinstance(value, int | float):
                raise BadInput(f"{place}: {name} = {value!r}: write a number")
            elif rules is not None and name not in rules[int(key)].limits:
                known = ", ".join(rules[int(key)].limits) or "none"
                raise BadInput(f"{place}: {name}: this rule has no such limit; it has: {known}")
            else:
                limits[name] = float(value)
        off = table.get("off", False)
        if not isinstance(off, bool):
            raise BadInput(f"{place}: off = {off!r}: write true or false")
        found[int(key)] = Tuning(because.strip(), limits, weight, off, shop_name)
    return found


def require(need: str, part: Part, settings: Settings) -> None:
    """Raise NotRun, in the words of the bench, when a fact that a rule needs is missing.

    Raises ValueError for a need nobody defined (caught at start by the rooms test).
    """
    ticket = part.ticket
    name, _, wanted = need.partition("=")
    if name == "units":
        if part.units is None:
            raise NotRun("units unknown: the file gives none; write units = \"mm\" (or cm, m, in) under [part] in the ticket")
    elif name == "process":
        if settings.process != wanted:
            raise NotRun(f"it is for {wanted} printing, and this part is for {settings.process}")
    elif name == "length":
        if not ticket.length:
            raise NotRun("the ticket gives no reference length")
    elif name == "lengths":
        if len(ticket.length) < 2:
            raise NotRun("it takes two reference lengths to compare, and the ticket gives fewer")
    elif name == "caliper":
        if not ticket.caliper:
            raise NotRun("the ticket gives no caliper readings")
    elif name == "part.body":
        if ticket.part.body in (None, "other"):
            raise NotRun("the ticket does not say which body part it is")
    elif name == "part.pair":
        if ticket.part.pair is None:
            raise NotRun("the ticket names no pair")
    elif name in ("use.pull", "print.bed", "use.margin", "use.mould", "use.clay"):
        if getattr(settings, name.split(".")[1]) is None:
            raise NotRun(f"the ticket gives no {name.split('.')[1]}")
        if name == "use.pull" and not any(settings.pull or ()):
            raise NotRun("the ticket's pull is 0, 0, 0, which is no direction")
    else:
        raise ValueError(f"a rule needs {need!r}, which nobody defines")
