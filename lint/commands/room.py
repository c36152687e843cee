"""How much memory there is to work in, and how much a part will take, so that no more are in flight than fit."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

# Fewest bytes on disk that a face takes, by format: binary STL has 50; PLY half a point (12) and a list of three (13); text at least two
# letters a number; glTF half a point and three short indices; 3MF is packed to about a third of its text (measured on scans).
_LEAST = {".stl": 50.0, ".ply": 19.0, ".obj": 20.0, ".off": 20.0, ".glb": 12.0, ".gltf": 12.0, ".3mf": 8.0}

# Measured with every rule on scans of 140,000 and 570,000 faces: about 90 MB for the program and 740 to 840 bytes a face at the peak.
_A_FACE = 1300
_A_PROCESS = 150_000_000

# Of what is free now, the share that a run may fill: others need some, too, and an estimate is one.
_SHARE = 0.8


def taken_by(part: Path) -> int:
    """Bytes that examining a part takes at most, estimated from its file; a process without work for one that is not there."""
    try:
        size = part.stat().st_size
        if part.suffix.lower() == ".gltf":  # its numbers may stand in files beside it
            size += sum(p.stat().st_size for p in part.parent.glob("*.bin"))
    except OSError:
        size = 0
    return _A_PROCESS + int(size / _LEAST.get(part.suffix.lower(), 12.0) * _A_FACE)


def room() -> int | None:
    """Bytes that a run may fill, from what the machine and the group of processes it is in have free; None where nothing says."""
    free = min(_free(), default=None)
    return None if free is None else int(free * _SHARE)


def _free() -> Iterator[int]:
    machine = _of_machine()
    if machine is not None:
        yield machine
    for folder, limit, used, idle in _groups():
        most, now = _number(folder / limit), _number(folder / used)
        if most is not None and now is not None and most < 1 << 60:  # a limit of nearly 2**63 is none
            yield max(most - now + _count(folder / "memory.stat", idle), 0)


def _of_machine() -> int | None:
    free = _count(Path("/proc/meminfo"), "MemAvailable:")
    if free:
        return free * 1024
    try:  # where the system does not say what is free, half of what there is
        return os.sysconf("SC_PHYS_PAGES") * os.sysconf("SC_PAGE_SIZE") // 2
    except (AttributeError, ValueError, OSError):
        return None


def _groups() -> Iterator[tuple[Path, str, str, str]]:
    """Control groups that this process is in, second and first kind, from its own upwards: folder, and the names of what they say."""
    try:
        lines = Path("/proc/self/cgroup").read_text(encoding="ascii", errors="replace").splitlines()
    except OSError:
        return
    for line in lines:
        _, kinds, path = (*line.split(":", 2), "", "")[:3]
        if kinds and "memory" not in kinds.split(","):
            continue
        top = Path("/sys/fs/cgroup/memory" if kinds else "/sys/fs/cgroup")
        here = top / path.lstrip("/")
        names = ("memory.limit_in_bytes", "memory.usage_in_bytes") if kinds else ("memory.max", "memory.current")
        # In a container the path may be the host's: then the top is the group itself.
        for folder in dict.fromkeys([here, *(p for p in here.parents if p.is_relative_to(top)), top]):
            yield folder, *names, "total_inactive_file" if kinds else "inactive_file"


def _number(path: Path) -> int | None:
    try:
        text = path.read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        return None
    return int(text) if text.isdecimal() else None


def _count(path: Path, name: str) -> int:
    """The number after a name in a table of them; 0 when it is not there."""
    try:
        rows = [line.split() for line in path.read_text(encoding="ascii").splitlines()]
    except (OSError, UnicodeDecodeError):
        return 0
    return next((int(row[1]) for row in rows if len(row) > 1 and row[0] == name and row[1].isdecimal()), 0)
