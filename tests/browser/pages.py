"""Pages to open: reports made by hand on solids of known size, so that no rule has to run."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from corpus import solids
from lint.report import page
from lint.settings import Settings
from lint.terms import Mended, Part, PartReport, Place, Report, Source, StepResult, Touch, Weight
from lint.view.compare import scenes_of
from lint.view.scene import in_order, scene_of
from tests.reports import EVIL, RULES, finding, part_report

BED = Settings(bed=(120.0, 120.0, 100.0), pull=(0.0, 0.0, 1.0))


def part(mesh: solids.Mesh, name: str) -> Part:
    return Part(mesh[0].astype(float), mesh[1].copy(), Source(Path(name), "stl", "ab" * 32, 0), units="mm", units_from="the ticket")


def seen(mesh: solids.Mesh, name: str, *, spots: int = 2, settings: Settings = BED, most: int = 300_000) -> PartReport:
    """A report of a part with findings of every weight on it: on faces, without faces, and without a place."""
    subject = part(mesh, name)
    low, high = subject.vertices.min(axis=0), subject.vertices.max(axis=0)
    middles = subject.vertices[subject.faces].mean(axis=1)
    right = np.flatnonzero(middles[:, 0] > high[0] - 1e-6 - 0.1 * (high[0] - low[0]))
    top = np.flatnonzero(middles[:, 2] > high[2] - 1e-6 - 0.1 * (high[2] - low[2]))
    made = [
        _at(finding(4, message=f"open for 10 mm at {name}"), middles[right].mean(axis=0), right),
        _at(finding(51), middles[top].mean(axis=0), top),
        finding(54, 0, 2, at=None),
        replace(finding(13, 0.2, 0.1), place=Place((float(low[0]), float(low[1]), float(low[2])), 3.0)),
    ][: spots + 2]
    report = part_report(name, tuple(made))
    scene = scene_of(subject, in_order(report.findings), settings, most=most)
    extents = tuple(float(v) for v in high - low)
    return replace(report, scene=scene, faces=len(subject.faces), extents=extents, settings=settings)  # type: ignore[arg-type]


def _at(one, centre, faces):  # type: ignore[no-untyped-def]
    return replace(one, place=Place(tuple(float(v) for v in centre), 8.0, faces))


def written(report: Report, path: Path) -> Path:
    path.write_text(page.render(report, RULES, {}), encoding="utf-8")
    return path


def of(*parts: PartReport) -> Report:
    return Report(parts, 1, "0.1.0", Weight.STOP)


def block(name: str = "tin king.stl") -> PartReport:
    """A gauge block, 40 by 20 by 10 mm, its faces finely cut as a scan's are."""
    return seen(solids.box((40.0, 20.0, 10.0), step=1.0), name)


def ball() -> PartReport:
    """A ball of 25 mm."""
    return seen(solids.ball(12.5, (5.0, 0.0, 0.0)), "heron's eye.stl", spots=0)


def hollow() -> PartReport:
    """A block of 40 mm with a hollow of 20 mm that nobody sees from outside."""
    outside, inside = solids.box((40.0, 40.0, 40.0)), solids.flipped(solids.box((20.0, 20.0, 20.0), (10.0, 10.0, 10.0)))
    return seen(solids.joined(outside, inside), "troll.stl", spots=0)


def evil() -> PartReport:
    """A part whose name tries to do harm."""
    return block(EVIL + "</script><script>document.title = 'owned'</script>")


def fixed() -> Report:
    """A block that was turned a quarter round, and to which a base was put."""
    turn = np.array([[0.0, -1, 0, 20], [1, 0, 0, 0], [0, 0, 1, 0], [0, 0, 0, 1]])
    was = part(solids.box((40.0, 20.0, 10.0), step=1.0), "troll.stl")
    moved = was.vertices @ turn[:3, :3].T + turn[:3, 3]
    raised = np.where(moved[:, 2:] > 9.9, [[0.0, 0.0, 0.08]], [[0.0, 0.0, 0.0]])
    base = solids.box((40.0, 60.0, 5.0), (-10.0, -10.0, -12.0))
    vertices, faces = solids.joined((moved + raised, was.faces), base)
    now = was.with_mesh(vertices, faces, moved=turn)
    before = replace(block("troll.stl"), scene=None)
    after = replace(part_report("troll.stl", (finding(13, 0.2, 0.1, at=(0.0, 0.0, 10.0)),)), faces=len(faces))
    step = StepResult("seat", Touch.SKIN, "done", "put on a base", 0.08, 0.08, transform=turn)
    mended = Mended(replace(before, part=was), after, now, (step,))
    scene_before, scene_after = scenes_of(mended, BED)
    after = replace(after, scene=scene_after)
    return Report((after,), 1, "0.1.0", mended=replace(mended, before=replace(mended.before, scene=scene_before), after=after))
