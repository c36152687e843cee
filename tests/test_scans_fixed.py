"""The main job on real scans: a raw mesh and a ticket in, one sound solid on a flat base out, and the skin kept."""

from __future__ import annotations

import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
import trimesh

from lint.cli import main
from tests.judges import record_of, skin_movement, sound_solid
from tests.scans import needs_scans, scan

# name, units ("" = the file has none to give, so the hand's length is marked instead), body part
TABLE = [
    ("ear_crop_open.ply", "mm", "ear"),
    ("nose_crop_open.ply", "mm", "nose"),
    ("face_mask_open.obj", "cm", "face"),
    ("hand_open_wrist_lowres.obj", "", "hand"),
    ("hand_closed.obj", "", "hand"),
    ("hand_rigged_left.glb", "m", "hand"),
    ("headform_medium.stl", "mm", "head"),
    ("residual_limb_skin.stl", "mm", "limb"),
]
QUICK = {"ear_crop_open.ply", "nose_crop_open.ply"}  # .ci/run has the others after the suite
HAND_MM = 190.0  # near the ANSUR II median hand length (NATICK/TR-15/007: 193 men, 180 women)


def ticket_for(source: tuple[np.ndarray, np.ndarray], units: str, body: str) -> str:
    """A ticket as a maker would write it."""
    text = f'[part]\nbody = "{body}"\n' + (f'units = "{units}"\n' if units else "")
    if not units:
        points = source[0]
        low, high = points[points[:, 1].argmin()], points[points[:, 1].argmax()]
        text += f"[[length]]\nfrom = {low.tolist()}\nto = {high.tolist()}\ntrue = {HAND_MM}\n"
    return text + '[fix]\nallow = "skin"\nsteps = ["seat", "hollow", "drain"]\n'


def loaded(path: Path) -> tuple[np.ndarray, np.ndarray]:
    """The file's own numbers by another library; glTF scene moves are applied by it, its y-up axes are kept."""
    mesh = trimesh.load(path, process=False, force="mesh")
    return np.array(mesh.vertices, dtype=float), np.array(mesh.faces)


@needs_scans
@pytest.mark.parametrize(("name", "units", "body"), [pytest.param(*t, marks=() if t[0] in QUICK else pytest.mark.slow) for t in TABLE])
def test_a_scan_comes_out_as_a_printable_buck(name: str, units: str, body: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / name
    shutil.copy(scan(name), path)
    source = loaded(path)
    path.with_name(name + ".ticket.toml").write_text(ticket_for(source, units, body), encoding="utf-8")
    before = hashlib.sha256(path.read_bytes()).hexdigest()
    out = tmp_path / "buck.3mf"

    code = main(["fix", str(path), "--to", str(out), "--allow", "skin", "--as", "json"])

    report = json.loads(capsys.readouterr().out)
    assert code in (0, 1), report
    stops = [f for p in report["after"] for f in p["findings"] if f["weight"] == "stop"] if isinstance(report["after"], list) else [
        f for f in report["after"]["findings"] if f["weight"] == "stop"]  # fmt: skip
    assert not stops
    assert hashlib.sha256(path.read_bytes()).hexdigest() == before
    judged = sound_solid(out)
    assert judged == {"lib3mf": True, "manifold3d": True, "bodies": 1, "watertight": True, "winding": True, "volume": True}
    distance = skin_movement(source, loaded(out), record_of(out))
    assert len(distance) > 0.3 * 7 * len(source[1]), "the zones leave too little of the skin to judge"
    assert np.quantile(distance, 0.99) <= 0.1
    done = {s["name"]: s["outcome"] for s in report["steps"]}
    assert done.get("seat") in ("done", "declined")

    again = tmp_path / "again.3mf"
    assert main(["fix", str(out), "--to", str(again), "--allow", "skin", "--as", "json"]) == code
    second = json.loads(capsys.readouterr().out)
    assert not [s for s in second["steps"] if s["outcome"] == "done"]
    assert again.read_bytes() == out.read_bytes()
