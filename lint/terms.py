"""The nouns of buckwright: what a part, a finding, a rule, a fix and a report are.

No geometry is computed here, and no rule is known by its number. Every other file speaks in these words.
Lengths are millimetres, angles degrees, areas mm2, volumes mm3, unless a docstring says otherwise.
"""

from __future__ import annotations

import enum
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

from lint.counting import unit_of
from lint.ticket import Ticket

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    FloatArray = NDArray[np.float64]
    IntArray = NDArray[np.int64]
    BoolArray = NDArray[np.bool_]


def __getattr__(name: str) -> Any:
    """The kinds of arrays, when they are first asked for: what only tells what is known does without numpy, half of its time."""
    if name not in ("FloatArray", "IntArray", "BoolArray"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import numpy as np
    from numpy.typing import NDArray

    globals().update(np=np, FloatArray=NDArray[np.float64], IntArray=NDArray[np.int64], BoolArray=NDArray[np.bool_])
    return globals()[name]


MM_PER_UNIT: Mapping[str, float] = {
    "micron": 0.001,
    "mm": 1.0,
    "cm": 10.0,
    "m": 1000.0,
    "in": 25.4,
    "ft": 304.8,
}


class BadInput(Exception):
    """The user's file or words cannot be used. The message names file, place and what to do; exit code 2."""


class NotRun(Exception):
    """Raised by a rule or a measurement that lacks a fact; the text is the reason, and no guess is made."""


class Declined(Exception):
    """Raised by a fix that cannot or need not do its work; the text is the reason. The part stays as it was."""


class NotYet(Declined):
    """Raised by a fix that another step has to come before: it has not looked at the part, and may be asked again and again."""


class Weight(enum.IntEnum):
    """What happens in the shop if nobody acts."""

    NOTE = 1
    CAUTION = 2
    STOP = 3

    @property
    def word(self) -> str:
        """How it is written in reports."""
        return self.name.lower()


class Touch(enum.IntEnum):
    """How far a fix reaches, in the sculptor's terms; ordered, so that one comparison says how far it may go."""

    RECORD = 1
    PIECE = 2
    INSIDE = 3
    SKIN = 4

    @property
    def word(self) -> str:
        """How it is written in reports."""
        return self.name.lower()


class Outcome(enum.StrEnum):
    """The four ways a rule can end."""

    CLEAN = "clean"
    FOUND = "found"
    NOT_RUN = "not run"
    BROKE = "broke"


@dataclass(frozen=True)
class Source:
    """Where a part came from and what its file really said.

    `texts` holds human-readable strings found in the file (STL header, PLY/OBJ comments, 3MF metadata, glTF extras),
    as (where, text); `attachments` names things such as textures that travel with it.
    `split_polygons` counts polygons of more than three corners that were cut into triangles.
    """

    path: Path
    format: str
    sha256: str
    size: int
    texts: tuple[tuple[str, str], ...] = ()
    attachments: tuple[str, ...] = ()
    split_polygons: int = 0
    objects: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class Part:
    """A mesh with its ticket. Arrays are read-only; a fix makes a new Part and never alters an old one.

    vertices: (n, 3) float64, millimetres when `units` is known, else the file's own numbers.
    faces: (m, 3) int64, counter-clockwise seen from outside, as read (STL keeps three vertices a face).
    units: "mm", "m", ... as told by the file, the ticket or a flag; None when nobody said.
    ticket_path: the ticket's file; None when there is none beside the part.
    placement: (4, 4) float64 that takes the file's own numbers to `vertices` (unit scale, axis turn, and every fix).
    Rule 1 judges non-finite coordinates and wrong indices, so a Part may hold them; the engine then runs nothing else.
    """

    vertices: FloatArray
    faces: IntArray
    source: Source
    units: str | None = None
    units_from: str = ""
    placement: FloatArray = field(default_factory=lambda: _eye())
    ticket: Ticket = field(default_factory=Ticket)
    ticket_path: Path | None = None

    def __post_init__(self) -> None:
        for array in (self.vertices, self.faces, self.placement):
            array.setflags(write=False)

    @property
    def name(self) -> str:
        """The file name, for people."""
        return self.source.path.name

    @property
    def length_unit(self) -> str:
        """What a length of `vertices` is said in: "mm" once the units are known, else "file units"."""
        return "mm" if self.units is not None else "file units"

    def with_mesh(self, vertices: FloatArray, faces: IntArray, *, moved: FloatArray | None = None, units: str | None = None,
                  units_from: str | None = None) -> Part:
        """A new Part of other geometry. `moved` is the (4, 4) transform that carried the old coordinates to the new."""
        import numpy as np

        placement = self.placement if moved is None else np.asarray(moved, dtype=np.float64) @ self.placement
        return replace(
            self,
            vertices=np.array(vertices, dtype=np.float64),
            faces=np.array(faces, dtype=np.int64),
            placement=np.array(placement),
            units=self.units if units is None else units,
            units_from=self.units_from if units_from is None else units_from,
        )

    def place_points(self, points: Sequence[Sequence[float]] | FloatArray) -> FloatArray:
        """Points given in the file's own numbers, (k, 3), in the coordinates of `vertices`."""
        import numpy as np

        array = np.atleast_2d(np.asarray(points, dtype=np.float64))
        return array @ self.placement[:3, :3].T + self.placement[:3, 3]


def _eye() -> FloatArray:
    import numpy as np

    return np.eye(4)


@dataclass(frozen=True)
class Place:
    """Where a finding is: a centre and the farthest it reaches from there, both in mm. Faces are for drawing only."""

    centre: tuple[float, float, float]
    reach: float
    faces: IntArray | None = field(default=None, compare=False, repr=False)


@dataclass(frozen=True)
class Finding:
    """One fault in one region: numbers first, the sentence made from them."""

    rule: int
    name: str
    case: str
    weight: Weight
    measured: float
    limit: float | None
    unit: str
    message: str
    place: Place | None = None
    sampled: bool = False
    fix: str | None = None
    accepted: str | None = None
    trial: bool = False
    related: tuple[tuple[str, Place], ...] = ()

    @property
    def counts(self) -> bool:
        """Whether it can turn the exit code: not accepted in the ledger, and its rule not on trial."""
        return self.accepted is None and not self.trial


@dataclass(frozen=True)
class Limit:
    """A number a rule judges against, with the page it stands on.

    `default` is the number, or a function of the settings for limits such as "two nozzles wide".
    `basis` says where the number comes from and how sure it is; it is printed on the rule's page.
    """

    default: float | Callable[[Any], float]
    unit: str
    basis: str


@dataclass(frozen=True)
class LimitUsed:
    """A limit as used in one run: its value and who set it ("edition 1", "shop.toml", "the ticket", "--nozzle")."""

    value: float
    unit: str
    set_by: str


@dataclass(frozen=True)
class Pick:
    """A question to the whole shelf that each part asks: which of the others concern it.

    measurement: taken of every part; build: makes an index of it, {path: value} -> index; pick: (index, path, value) -> answer, for
    the part at `path`. The answer is plain (dataclasses, tuples, lists, numbers, texts, paths, arrays): as long as it stays the same,
    and so do the parts that the rule reads besides, a verdict given once still stands.
    """

    measurement: str
    build: Callable[[Mapping[Path, Any]], Any]
    pick: Callable[[Any, Path, Any], Any]

    @property
    def name(self) -> str:
        """By what it is known from run to run."""
        return f"{self.measurement} {self.build.__module__}.{self.build.__qualname__} {self.pick.__module__}.{self.pick.__qualname__}"


FindFunction = Callable[..., Iterator[Finding]]


@dataclass
class Rule:
    """One numbered rule. Its file's docstring is its page; `find` is attached by the decorator `@rule.find`.

    needs: facts without which the rule is not run ("units", "process=resin", "part.body", "use.pull", "length", ...).
    after: numbers of rules that must be clean first, because the measurement means nothing otherwise.
    upright: the verdict depends on which way up the part stands (it may be spun about z, but not tumbled).
    picks: what it asks of the whole shelf; those measurements are taken once of every part, before parts are judged.
    """

    number: int
    name: str
    weight: Weight
    unit: str
    cases: Mapping[str, str]
    limits: Mapping[str, Limit] = field(default_factory=dict)
    needs: tuple[str, ...] = ()
    after: tuple[int, ...] = ()
    fix: str | None = None
    since: int = 1
    upright: bool = False
    picks: tuple[Pick, ...] = ()
    retired: str | None = None
    page: str = ""
    function: FindFunction | None = None

    def find(self, function: FindFunction) -> FindFunction:
        """Decorator: the judging function. Its parameter names say which measurements it wants."""
        self.function = function
        return function

    def finding(
        self,
        case: str,
        measured: float,
        limit: float | None = None,
        *,
        place: Place | None = None,
        weight: Weight | None = None,
        unit: str | None = None,
        sampled: bool = False,
        fix: str | None = "",
        related: tuple[tuple[str, Place], ...] = (),
        **words: object,
    ) -> Finding:
        """A finding of this rule. The sentence is `cases[case]` filled with measured, limit, unit and `words`.

        Raises KeyError when the case is not declared: a test can then name every failure.
        """
        shown_unit = self.unit if unit is None else unit
        message = self.cases[case].format(measured=measured, limit=limit, unit=unit_of(measured, shown_unit), **words)
        return Finding(
            rule=self.number,
            name=self.name,
            case=case,
            weight=self.weight if weight is None else weight,
            measured=float(measured),
            limit=None if limit is None else float(limit),
            unit=shown_unit,
            message=message,
            place=place,
            sampled=sampled,
            fix=self.fix if fix == "" else fix,
            related=related,
        )


@dataclass(frozen=True)
class Zone:
    """A region that a fix says it edits, in the coordinates of the part it returns; outside it the skin must stay.

    kind "under": behind a plane, points = (point on it, unit normal), as far as `size` mm in front of it.
    kind "near": within `size` mm of any of `points` (k, 3), which are taken as an open polyline when `chain` is true.
    kind "box": between points[0] and points[1], grown by `size`.
    kind "all": everywhere (resize and split say so).
    """

    kind: str
    why: str
    size: float = 0.0
    points: tuple[tuple[float, float, float], ...] = ()
    chain: bool = False

    @classmethod
    def near(cls, why: str, size: float, points: FloatArray) -> Zone:
        """The zone of what lies within `size` mm of points (k, 3)."""
        return cls("near", why, size, tuple((float(x), float(y), float(z)) for x, y, z in points))


@dataclass(frozen=True)
class Promise:
    """What a fix says it will not change; the engine measures it afterwards.

    skin_max and skin_p99: the farthest the outer skin may move outside the zones, mm (None: no word given).
    volume: "same", "more", "less" or "any"; pieces: "same", "fewer" or "any".
    clears: rule numbers whose findings must be gone afterwards; lessens: those that must be fewer or smaller.
    may_raise: rule numbers that may newly speak as a foreseen consequence (hollow raises "trapped hollow").
    A rule that was not run before and speaks now was not raised by the fix: it can only now be judged.
    """

    skin_max: float | None = 0.0
    skin_p99: float | None = 0.0
    volume: str = "same"
    pieces: str = "same"
    clears: tuple[int, ...] = ()
    lessens: tuple[int, ...] = ()
    may_raise: tuple[int, ...] = ()


@dataclass(frozen=True)
class Shaped:
    """What a fix returns: a new part, its promise, the zones it edited, the rigid or scaling move, and a sentence."""

    part: Part
    promise: Promise
    did: str
    zones: tuple[Zone, ...] = ()
    moved: FloatArray | None = None
    cautions: tuple[str, ...] = ()


@dataclass(frozen=True)
class Job:
    """What a fix is given: the part, the run's facts, the findings that name it, all findings, and what else is planned.

    survey: the measurements of `part` (a lint.measure.Survey), shared with the rules: `job.survey.get("edges")`.
    planned: names of the fixes that will or may run in this mend (so `close` can leave the outer rim to `seat`).
    asked: whether the maker asked for this very step.
    """

    part: Part
    settings: Any
    findings: tuple[Finding, ...]
    every_finding: tuple[Finding, ...]
    survey: Any
    planned: frozenset[str] = frozenset()
    asked: bool = False


MakeFunction = Callable[[Job], Shaped]


@dataclass
class Fix:
    """One operation of lint/shape: a name that is a verb of the bench, how far it reaches, and the function.

    does: one plain sentence for the maker, what will be done and what it touches.
    on_demand: runs only when the maker asks for it (ticket steps, --step), not because a finding names it;
    for_stop: ... but a finding of weight stop that names it is reason enough;
    follows: ... or one of these fixes having been done just before (drain follows hollow).
    """

    name: str
    touch: Touch
    does: str
    on_demand: bool = False
    for_stop: bool = False
    follows: tuple[str, ...] = ()
    function: MakeFunction | None = None

    def make(self, function: MakeFunction) -> MakeFunction:
        """Decorator: the function (job: Job) -> Shaped; raises Declined with a reason when it cannot or need not."""
        self.function = function
        return function


@dataclass(frozen=True)
class RuleResult:
    """How one rule ended on one part. `missing` is the need (as in Rule.needs) for want of which it was not run."""

    number: int
    name: str
    outcome: Outcome
    why: str = ""
    seconds: float = 0.0
    limits: Mapping[str, LimitUsed] = field(default_factory=dict)
    missing: str = ""


@dataclass(frozen=True)
class PartReport:
    """Everything said about one part. `unreadable` is the one line to print when nothing could be judged.

    faces, low (the low corner, in the coordinates of the part) and extents stay when the arrays of `part` are let go,
    as they are when a report comes back from another process. settings: the facts the run went by. volume: mm3,
    None for an open part. pictures: drawn where the mesh still was, when asked for: "card" (PNG) and "sketch" (text) by name.
    scene: what a page shows of it (a lint.view.scene.Scene), when a page was asked for.
    stored: it was told from an earlier run's result, whose seconds these are.
    """

    part: Part | None
    path: Path
    rules: tuple[RuleResult, ...] = ()
    findings: tuple[Finding, ...] = ()
    seconds: float = 0.0
    measured_seconds: Mapping[str, float] = field(default_factory=dict)
    unreadable: str | None = None
    extents: tuple[float, float, float] | None = None
    notes: tuple[str, ...] = ()
    faces: int = 0
    low: tuple[float, float, float] | None = None
    settings: Any = None
    volume: float | None = None
    pictures: Mapping[str, bytes] = field(default_factory=dict, repr=False)
    scene: Any = None
    stored: bool = False

    @cached_property
    def ended(self) -> Mapping[Outcome, Sequence[RuleResult]]:
        """The rules by how they ended; each way is there."""
        ways: dict[Outcome, list[RuleResult]] = {outcome: [] for outcome in Outcome}
        clean, not_run = ways[Outcome.CLEAN].append, ways[Outcome.NOT_RUN].append
        for result in self.rules:  # the two most frequent first: this is done for every part of a large run
            outcome = result.outcome
            if outcome is Outcome.CLEAN:
                clean(result)
            elif outcome is Outcome.NOT_RUN:
                not_run(result)
            else:
                ways[outcome].append(result)
        return ways

    def worst(self) -> Weight | None:
        """The heaviest weight that counts, or None."""
        return max((f.weight for f in self.findings if f.counts), default=None)


@dataclass(frozen=True)
class StepResult:
    """One step of a fix. outcome: "done", "declined", "held back", "taken back" (it raised something new), "promise broke"."""

    name: str
    touch: Touch
    outcome: str
    why: str = ""
    moved_max: float | None = None
    moved_p99: float | None = None
    seconds: float = 0.0
    peak_mib: float | None = None
    zones: tuple[Zone, ...] = ()
    cautions: tuple[str, ...] = ()
    transform: FloatArray | None = None


@dataclass(frozen=True)
class Mended:
    """The end of a fix: the part before and after, each step, and whether a promise broke (then nothing is written)."""

    before: PartReport
    after: PartReport
    part: Part
    steps: tuple[StepResult, ...]
    broke: bool = False


@dataclass(frozen=True)
class Report:
    """A whole run: the parts in a stable order, the edition, and what was hidden.

    idle: why there is rightly nothing to judge (no part changed); empty when a run without parts is a mistake.
    """

    parts: tuple[PartReport, ...]
    edition: int
    version: str
    line: Weight = Weight.STOP
    mended: Mended | None = None
    idle: str = ""

    def exit_code(self) -> int:
        """0 nothing at or above the line; 1 something is; 2 the job could not be done."""
        if not self.parts and self.idle:
            return 0
        if not self.parts or any(p.unreadable or _broke(p) for p in self.parts):
            return 2
        if self.mended is not None and self.mended.broke:
            return 2
        return 1 if any((p.worst() or 0) >= self.line for p in self.parts) else 0


def _broke(part: PartReport) -> bool:
    return bool(part.ended[Outcome.BROKE])
