"""The standard ticket of a mesh: what it is and how large, from a manifest beside it or from a stated assumption."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import numpy as np

from tests.sweep import Mesh

STEPS = ("seat", "hollow", "drain")

# mm of the longest side, where nothing tells the size. Common practice, no source: near the middle of adult sizes with what a scan
# brings along (a hand with its wrist, a head with its neck); 150 is a guess for anything else.
LONGEST = {"ear": 70.0, "nose": 75.0, "face": 190.0, "head": 280.0, "hand": 190.0, "foot": 260.0, "limb": 260.0, "other": 150.0}

# The first that is found in the file's name or in the manifest's words says what a mesh is.
WORDS = (
    ("ear", "ears?"), ("nose", "nose"), ("hand", "hand"), ("foot", "foot"), ("limb", "limb"), ("face", "face|mask"),
    ("head", "head|headform|bust|skull"),
)  # fmt: skip
UNITS = ("mm", "cm", "m", "in")


def manifest(folder: Path) -> dict[str, tuple[str, str]]:
    """{file: (units as written, what it is)} of manifest.tsv in a folder; empty when there is none."""
    path = folder / "manifest.tsv"
    if not path.is_file():
        return {}
    with path.open(encoding="utf-8", newline="") as file:
        return {row["file"]: (row.get("unit_guess") or "", row.get("what") or "") for row in csv.DictReader(file, delimiter="\t")}


def body_of(name: str, what: str) -> str:
    """The body part by the file's name, else by the first words of the manifest; "other" when neither says."""
    for text in (name.replace("_", " ").replace(".", " "), re.split(r",| with ", what)[0]):
        for body, pattern in WORDS:
            if re.search(rf"\b({pattern})\b", text.lower()):
                return body
    return "other"


def ticket_for(mesh: Mesh, body: str, units: str, steps: tuple[str, ...] = STEPS) -> tuple[str, str]:
    """A ticket as a maker would write it, and what was assumed in it ("" for nothing)."""
    known = units.split("?")[0].split()[0] if units and units[0] != "?" else ""
    text = f'[part]\nbody = "{body}"\n' + (f'units = "{known}"\n' if known in UNITS else "")
    assumed = ""
    if known not in UNITS:
        points = mesh[0][np.unique(mesh[1])]
        axis = int(np.argmax(np.ptp(points, axis=0)))
        low, high = points[points[:, axis].argmin()], points[points[:, axis].argmax()]
        true = LONGEST[body] * float(np.linalg.norm(high - low) / np.ptp(points[:, axis]))
        text += f"[[length]]\nfrom = {low.tolist()}\nto = {high.tolist()}\ntrue = {true}\n"
        assumed = f"longest side taken as {LONGEST[body]:g} mm"
    return text + f'[fix]\nallow = "skin"\nsteps = {list(steps)}\n'.replace("'", '"'), assumed
