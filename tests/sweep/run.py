"""One case through `buckwright fix` in a process of its own, with a deadline and a cap on memory, and the verdict on what came out."""

from __future__ import annotations

import json
import os
import re
import resource
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from tests.sweep import SKIN_P99_MM, Case, Mesh, Verdict
from tests.sweep.judges import faults, loaded, pieces_of, skin_moved
from tests.sweep.tickets import STEPS, body_of, manifest, ticket_for
from tests.sweep.variants import MOST_FACES, PLANTERS, Variant, thinned, vary

MESHES = (".stl", ".obj", ".ply", ".glb", ".gltf", ".off", ".3mf")
STUCK = 20  # by the clock, a child may take this many times its share of a core before it is ended
HERE = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Bounds:
    """seconds: of a core's time for one fix, whatever else the machine does; gib: of address space."""

    seconds: float = 600.0
    gib: float = 8.0


def as_found(folder: Path, steps: tuple[str, ...] = STEPS) -> Iterator[Case]:
    """Every mesh of a folder, as it is."""
    told = manifest(folder)
    for path in sorted(p for p in folder.iterdir() if p.suffix.lower() in MESHES):
        units, what = told.get(path.name, ("", ""))
        ticket, assumed = ticket_for(loaded(path), body_of(path.name, what), units, steps)
        yield Case(path.name, ticket, file=str(path), planted=assumed)


def planted(folder: Path, count: int, seed: int, steps: tuple[str, ...] = STEPS, only: str = "",
            faces: int = MOST_FACES) -> Iterator[Case]:
    """`count` variants of the meshes of a folder, each kind of fault in turn, on thinned copies in mm. Any can be made again alone."""
    told = manifest(folder)
    files = sorted(p for p in folder.iterdir() if p.suffix.lower() in MESHES)
    kinds = [k for k in (*PLANTERS, "mixed") if not only or k == only]
    made: dict[str, tuple[Mesh, str]] = {}
    for k in range(count):
        rng = np.random.default_rng((seed, k))
        path = files[int(rng.integers(len(files)))]
        if path.name not in made:
            units, what = told.get(path.name, ("", ""))
            made[path.name] = _in_mm(loaded(path), body_of(path.name, what), units, faces)
        mesh, body = made[path.name]
        variant = vary(mesh, rng, kinds[k % len(kinds)])
        scale, unit = [(1.0, "mm"), (1.0, "mm"), (0.001, "m"), (1 / 25.4, "in")][int(rng.integers(4))]
        ticket, _ = ticket_for(variant.mesh, body, unit, steps)
        ticket += cropping(variant, scale)
        yield Case(f"{k:04d} {path.name}", ticket, (variant.mesh[0] * scale, variant.mesh[1]),
                   str(rng.choice(["a.stl", "a.ply", "a.obj"])), (variant.truth[0] * scale, variant.truth[1]), variant.planted)  # fmt: skip


def cropping(variant: Variant, scale: float) -> str:
    """The box in which the part lies, for the ticket, where a gauge block stands beside it: what a maker would crop to."""
    if "block beside" not in variant.planted.split(":")[0]:
        return ""
    used = variant.truth[0][np.unique(variant.truth[1])]
    low, high = (used.min(axis=0) - 1.0) * scale, (used.max(axis=0) + 1.0) * scale
    return f"[[fix.crop]]\nlow = {low.tolist()}\nhigh = {high.tolist()}\n"


def _in_mm(mesh: Mesh, body: str, units: str, faces: int) -> tuple[Mesh, str]:
    import msgspec

    from lint.terms import MM_PER_UNIT
    from lint.ticket import Ticket

    ticket = msgspec.toml.decode(ticket_for(mesh, body, units)[0], type=Ticket)
    if ticket.part.units:
        scale = MM_PER_UNIT[ticket.part.units]
    else:
        known = ticket.length[0]
        scale = known.true / float(np.linalg.norm(np.subtract(known.from_, known.to)))
    return thinned((mesh[0] * scale, mesh[1]), faces), body


def judged(case: Case, bounds: Bounds, keep: Path | None = None) -> Verdict:
    """Mend one case and judge what came out. keep: a folder in which input, output and report stay."""
    if keep is not None:
        folder = keep / case.name.replace(" ", "-").replace("/", "-")
        folder.mkdir(parents=True, exist_ok=True)
        return _judged(case, bounds, folder)
    with tempfile.TemporaryDirectory() as name:
        return _judged(case, bounds, Path(name))


def _judged(case: Case, bounds: Bounds, folder: Path) -> Verdict:
    import trimesh

    path = folder / (case.file if case.mesh is not None else Path(case.file).name)
    if case.mesh is not None:
        trimesh.Trimesh(*case.mesh, process=False).export(path)
    else:
        path.write_bytes(Path(case.file).read_bytes())
    path.with_name(path.name + ".ticket.toml").write_text(case.ticket, encoding="utf-8")
    before = path.read_bytes()
    out = folder / "buck.3mf"
    code, stdout, stderr, seconds, peak = mended(path, out, bounds)
    (folder / "report.json").write_text(stdout, encoding="utf-8")
    verdict = Verdict(case.name, case.planted, seconds=seconds, peak_mib=peak)
    verdict.faces = len((case.mesh or loaded(path))[1])
    if path.read_bytes() != before:
        verdict.why = "the input was written to"
        return verdict
    source = case.mesh if case.mesh is not None else loaded(path)
    _decide(verdict, code, stdout, stderr, out, source, case.truth or source, bounds)
    return verdict


def mended(path: Path, out: Path, bounds: Bounds) -> tuple[int, str, str, float, float]:
    """Run `fix` in a child: exit code (negative: the signal that ended it), what it said, seconds of a core, peak MiB."""

    def cap() -> None:
        most = int(bounds.gib * (1 << 30))
        resource.setrlimit(resource.RLIMIT_AS, (most, most))
        resource.setrlimit(resource.RLIMIT_CPU, (int(bounds.seconds) + 1, int(bounds.seconds) + 1))

    words = [sys.executable, "-m", "lint.cli", "fix", str(path), "--to", str(out), "--as", "json", "--allow", "skin"]
    with tempfile.TemporaryFile() as said, tempfile.TemporaryFile() as complained:
        began = time.monotonic()
        child = subprocess.Popen(words, stdout=said, stderr=complained, cwd=HERE, preexec_fn=cap,
                                 env={**os.environ, "BUCKWRIGHT_TRACE": "1"})  # fmt: skip
        status, used, peak = 0, None, 0.0
        while used is None:
            done, status, usage = os.wait4(child.pid, os.WNOHANG)
            peak = max(peak, _high_water(child.pid))
            if done:
                used = usage
            elif time.monotonic() - began > STUCK * bounds.seconds:
                child.send_signal(signal.SIGKILL)
                _, status, used = os.wait4(child.pid, 0)
            else:
                time.sleep(0.05)
        child.returncode = os.waitstatus_to_exitcode(status)
        seconds = used.ru_utime + used.ru_stime
        said.seek(0)
        complained.seek(0)
        texts = [f.read().decode("utf-8", "replace") for f in (said, complained)]
    return child.returncode, texts[0], texts[1], seconds, peak


def _high_water(pid: int) -> float:
    """The most memory a process has held, MiB; what wait4 says also counts the process it was forked from."""
    try:
        found = re.search(r"VmHWM:\s+(\d+)", Path(f"/proc/{pid}/status").read_text(encoding="ascii"))
    except OSError:
        return 0.0
    return int(found[1]) / 1024 if found else 0.0


def _decide(verdict: Verdict, code: int, stdout: str, stderr: str, out: Path, source: Mesh, truth: Mesh, bounds: Bounds) -> None:
    lines = [line for line in stderr.splitlines() if line.strip()]
    last = lines[-1] if lines else ""
    if code < 0:
        late = code in (-signal.SIGXCPU, -signal.SIGKILL)
        verdict.why = f"took over {bounds.seconds:g} s of a core" if late else f"ended by signal {-code}"
        return
    if code not in (0, 1, 2) or "Traceback" in stderr or "bug of buckwright" in stderr:
        verdict.why = f"exit {code}: {last}"
        return
    if not stdout.strip():
        verdict.outcome, verdict.why = ("refused", last) if code == 2 and last and not out.exists() else ("wrong", f"exit {code}: {last}")
        return
    report = json.loads(stdout)
    steps = report["steps"]
    verdict.undone = [f"{s['name']} {s['outcome']}: {s['why']}" for s in steps if s["outcome"] != "done"]
    verdict.done = [s["name"] for s in steps if s["outcome"] == "done"]
    if code == 2 or not out.exists():
        broken = [s for s in steps if s["outcome"] == "promise broke"]
        verdict.why = f"{broken[0]['name']}: {broken[0]['why']}" if broken else f"exit {code}, nothing written: {last}"
        return
    _judge_written(verdict, report, steps, out, source, truth)


def _judge_written(
    verdict: Verdict, report: dict[str, Any], steps: list[dict[str, Any]], out: Path, source: Mesh, truth: Mesh
) -> None:
    after = report["after"][0] if isinstance(report["after"], list) else report["after"]
    stops = [f for f in after["findings"] if f["weight"] == "stop" and not f["accepted"]]
    finished = loaded(out)
    record = json.loads(out.with_name(out.name + ".record.json").read_text(encoding="utf-8"))
    distance, verdict.kept = skin_moved(source, truth, finished, record)
    if len(distance):
        verdict.moved_p99, verdict.moved_max = float(np.quantile(distance, 0.99)), float(distance.max())
    wrong = []
    told = False
    if verdict.moved_p99 is not None and verdict.moved_p99 > SKIN_P99_MM:
        wrong.append(f"skin moved {verdict.moved_p99:.3f} mm (p99)")
    if stops:
        tried = {s["name"]: s for s in steps}
        open_ = [f for f in stops if f["fix"] and f["fix"] not in tried]
        if open_:
            wrong.append(f"rule {open_[0]['rule']} is left and {open_[0]['fix']} was not tried: {open_[0]['message']}")
        reasons = [tried[f["fix"]] for f in stops if f["fix"] in tried]
        verdict.why = f"left: rule {stops[0]['rule']}: {stops[0]['message']}"
        if reasons:
            verdict.why += f" ({reasons[0]['name']} {reasons[0]['outcome']}: {reasons[0]['why']})"
            if reasons[0]["outcome"] == "done":
                wrong.append(f"rule {stops[0]['rule']} is left though {reasons[0]['name']} was done")
    else:
        found = faults(out, finished, pieces_of(truth))
        told = any(f.endswith(" solids") for f in found) and any("separate pieces" in c for s in steps for c in s["cautions"])
        wrong += [f for f in found if not (told and f.endswith(" solids"))]
    if wrong:
        verdict.outcome, verdict.why = "wrong", "; ".join(wrong) + (f"; {verdict.why}" if verdict.why else "")
    else:
        verdict.outcome = "refused" if stops or (not stops and told) else "fixed"
        verdict.why = verdict.why or ("told to be in separate pieces" if told else "")


