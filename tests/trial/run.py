"""Run the trial: plants and clean meshes through the rules, one rule at a time with those it waits for."""

from __future__ import annotations

import re
import time
from collections.abc import Iterable
from pathlib import Path

import msgspec
import numpy as np

import corpus
from corpus import Specimen, solids
from lint.rooms import all_rules
from lint.run import examine
from lint.settings import gather
from lint.terms import MM_PER_UNIT, Finding, Outcome, Part, PartReport, Source
from lint.ticket import Ticket
from tests.scans import SCANS
from tests.trial import PLANTERS, Bases, Planted, Tally, cases

# Closed, sound shared scans with the size (mm) that their longest side is given here so that they can serve as bases.
SCANS_AS_BASES = {
    "headform_medium.stl": 285.7, "ear_left.stl": 76.2, "hand_closed.obj": 190.0, "bust_nefertiti_lowres.obj": 494.7,
    "skull_lowres.obj": 180.0, "goat_head.obj": 250.0, "hand_rigged_left.glb": 212.0, "head_average_metres.ply": 263.4,
}  # fmt: skip


def bases() -> Bases:
    """Sound specimens in mm and, when they are there, the closed real scans, all standing on z = 0."""
    meshes: dict[str, solids.Mesh] = {}
    for name, specimen in corpus.specimens().items():
        if name.startswith("sound_") and _closed(specimen):
            meshes[name] = (np.array(specimen.vertices), np.array(specimen.faces))
    for name, mesh in real_scans().items():
        meshes[name] = mesh
    return Bases(meshes)


def _closed(specimen: Specimen) -> bool:
    """Whether a specimen is closed, by its edge table."""
    from lint.measure import Survey

    part = Part(np.array(specimen.vertices), np.array(specimen.faces), Source(Path("x"), "stl", "", 0))
    return bool(Survey(part).get("edges").closed)


def real_scans() -> dict[str, solids.Mesh]:
    """The closed shared scans, scaled to mm by the table above; nothing when the folder is absent."""
    if SCANS is None:
        return {}
    import trimesh

    found: dict[str, solids.Mesh] = {}
    for name, longest in SCANS_AS_BASES.items():
        if not (SCANS / name).is_file():
            continue
        mesh = trimesh.load(SCANS / name, process=False, force="mesh")
        vertices, faces = solids.merge(np.array(mesh.vertices) * 1000, np.array(mesh.faces))
        keep = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
        vertices = vertices * (longest / np.ptp(vertices, axis=0).max())
        found[name] = (vertices - [0, 0, vertices[:, 2].min()], faces[keep])
    return found


def judge(planted: Planted) -> tuple[PartReport, list[Finding]]:
    """The report of one rule (and those it waits for) on one plant, and its findings."""
    rules = all_rules()
    rule = rules[planted.rule]
    ticket = msgspec.toml.decode(planted.ticket, type=Ticket)
    scale = MM_PER_UNIT[ticket.part.units] if ticket.part.units else 1.0
    part = Part(
        np.array(planted.mesh[0]) * scale, np.array(planted.mesh[1]), Source(Path("plant.stl"), "stl", "", 0),
        units=ticket.part.units, units_from="the ticket", placement=np.diag([scale, scale, scale, 1.0]), ticket=ticket,
    )  # fmt: skip
    wanted = {planted.rule: rule, **{n: rules[n] for n in rule.after if n in rules}}
    report = examine(part, wanted, gather(ticket, rules=rules))
    return report, [f for f in report.findings if f.rule == planted.rule]


def tally(planted: Iterable[Planted], into: Tally) -> Tally:
    """Judge each plant and book it."""
    for case in planted:
        report, found = judge(case)
        result = next(r for r in report.rules if r.number == case.rule)
        if result.outcome in (Outcome.NOT_RUN, Outcome.BROKE):
            into.not_run.append(f"{case.why}: {result.outcome}: {result.why}")
            if case.speaks:
                into.missed.append(f"{case.why}: {result.outcome}: {result.why}")
            continue
        if case.speaks and found:
            into.found += 1
            _measure(case, found, into)
        elif case.speaks:
            into.missed.append(case.why)
        elif found:
            into.false_alarms.append(f"{case.why}: {found[0].message}")
        else:
            into.quiet += 1
    return into


def _measure(case: Planted, found: list[Finding], into: Tally) -> None:
    if case.count is not None and len(found) != case.count:
        into.off.append(f"{case.why}: {len(found)} findings where {case.count} was planted")
    if case.says is not None:
        pattern, wanted, within = case.says
        numbers = [float(m[1]) for f in found if (m := re.search(pattern, f.message))]
        if not numbers or min(abs(n - wanted) for n in numbers) > within:
            into.off.append(f"{case.why}: says {numbers[:4]}, planted {wanted:.4g} (within {within:.3g})")
    if case.measured is None:
        return
    nearest = min((abs(f.measured - case.measured) for f in found), default=float("inf"))
    into.errors.append(nearest)
    if nearest > case.within:
        said = ", ".join(f"{f.measured:.4g}" for f in found[:4])
        into.off.append(f"{case.why}: measured {said}, planted {case.measured:.4g} (within {case.within:.3g})")


# Facts for the clean meshes, so that every rule that can be run is run.
ALL_TOLD = (
    '[part]\nunits = "mm"\n[use]\npull = [0.0, 0.0, 1.0]\nmould = "flexible"\nmargin = 25.0\n'
    '[print]\nprocess = "{process}"\nbed = [600.0, 600.0, 600.0]\n'
)
BY_PROCESS = frozenset({30, 32, 37, 38, 39, 50})  # those that ask more, less or something else of resin


def clean_meshes(numbers: Iterable[int]) -> dict[int, dict[str, str]]:
    """What every rule says of meshes that are sound: {rule: {mesh: its first message}}, both processes. To be judged by eye."""
    rules = all_rules()
    said: dict[int, dict[str, str]] = {}
    for name, mesh in bases().meshes.items():
        for process in ("extrusion", "resin"):
            ticket = msgspec.toml.decode(ALL_TOLD.format(process=process), type=Ticket)
            source = Source(Path(name), "stl", "", 0)
            part = Part(np.array(mesh[0]), np.array(mesh[1]), source, units="mm", units_from="the ticket", ticket=ticket)
            asked = rules if process == "extrusion" else {n: r for n, r in rules.items() if n in BY_PROCESS or n < 11}
            report = examine(part, asked, gather(ticket, rules=rules))
            for finding in report.findings:
                said.setdefault(finding.rule, {}).setdefault(name, f"{process}: {finding.message}")
            for result in report.rules:
                if result.outcome is Outcome.BROKE:
                    said.setdefault(result.number, {})[name] = f"broke: {result.why}"
    return {n: said[n] for n in sorted(said) if n in set(numbers)}


def run(numbers: Iterable[int], count: int, seed: int = 1, say: bool = False) -> dict[int, Tally]:
    """`count` plants for each rule, and every clean mesh as a negative. Rules without a planter are left out."""
    import tests.trial.mould
    import tests.trial.prints
    import tests.trial.scan
    import tests.trial.size
    import tests.trial.skin  # noqa: F401

    ground = bases()
    tallies: dict[int, Tally] = {}
    for number in numbers:
        if number not in PLANTERS or number not in all_rules():
            continue
        began = time.perf_counter()
        tallies[number] = tally(cases(number, count, seed, ground), Tally())
        if say:
            print(f"rule {number}: {count} plants in {time.perf_counter() - began:.1f} s", flush=True)
    return tallies
