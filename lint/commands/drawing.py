"""The pictures of a part, drawn while its mesh is at hand."""

from __future__ import annotations

import datetime
from dataclasses import replace

from lint import __version__
from lint.commands.ledgers import accepted
from lint.settings import EDITION
from lint.terms import Part, PartReport

# On a page of more parts than this each is drawn once less.
_FEW = 8


def drawn_on(report: PartReport, part: Part, drawn: tuple[str, ...], parts: int) -> PartReport:
    """The report with the pictures asked for; parts: how many there are in the run."""
    if not drawn or report.unreadable is not None:
        return report
    report = replace(report, pictures=draw(report, part, drawn))
    if "page" in drawn:
        from lint.view.scene import faces_each, in_order, scene_of

        found = in_order(report.findings)
        scene = scene_of(part, found, report.settings, most=faces_each(parts), stills=2 if parts <= _FEW else 1)
        report = replace(report, scene=scene)
    return report


def draw(report: PartReport, part: Part, drawn: tuple[str, ...]) -> dict[str, bytes]:
    """The pictures asked for, while the mesh is there; what the ledger accepts is drawn as accepted."""
    pictures: dict[str, bytes] = {}
    if drawn and report.unreadable is None:
        (report,) = accepted([report], datetime.date.today())
    if "card" in drawn and report.unreadable is None:
        from lint.report import card

        pictures["card"] = card.render(report, part, version=__version__, edition=EDITION)
    if "sketch" in drawn and report.findings and report.unreadable is None:
        from lint.report import sketch

        pictures["sketch"] = sketch.sketch(part, report.findings).encode("utf-8")
    return pictures
