"""Where the real meshes are, for tests that want them: BUCKWRIGHT_SCANS, or shared/scans beside the checkout."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

_ROOT = Path(__file__).resolve().parents[1]
_CANDIDATES = [Path(os.environ["BUCKWRIGHT_SCANS"])] if "BUCKWRIGHT_SCANS" in os.environ else [_ROOT.parent / "shared" / "scans"]
SCANS: Path | None = next((p for p in _CANDIDATES if p.is_dir()), None)

needs_scans = pytest.mark.skipif(SCANS is None, reason="the folder of real meshes is absent (set BUCKWRIGHT_SCANS)")


def scan(name: str) -> Path:
    """The path of one real mesh; skips the test when the folder or the file is absent."""
    if SCANS is None or not (SCANS / name).is_file():
        pytest.skip(f"the real mesh {name} is absent (set BUCKWRIGHT_SCANS)")
    return SCANS / name
