"""A zip that a maker drops: the one scan in it is taken out, under a name of ours, and nothing else is opened.

What a zip says of itself is not believed: bytes are counted as they come out.
"""

from __future__ import annotations

import stat
import zipfile
import zlib
from pathlib import Path, PurePosixPath

from lint.load import SUFFIXES
from lint.load.raw import shown
from lint.report.plain import many
from lint.terms import BadInput

_PIECE = 1 << 20
# The text of a mesh packs 3 to 15 times; a bomb a thousand times. The first bytes are free, so that a tiny scan may be all noughts.
_FREE, _RATIO = 16 << 20, 60
_PACKED = (".zip", ".gz", ".tgz", ".bz2", ".xz", ".zst", ".7z", ".rar", ".tar", ".lzma", ".jar")


def take_scan(packed: Path, target: Path, *, entries: int, unpacked: int) -> tuple[Path, str]:
    """Unpack the one scan of a zip to `target` with the scan's ending. Returns where it is, and its name in the zip, for people.

    entries and unpacked: how many files it may hold, and how many bytes the scan may be. Raises BadInput, one line.
    """
    try:
        with zipfile.ZipFile(packed) as package:
            infos = package.infolist()
            if len(infos) > entries:
                raise BadInput(f"the zip holds {len(infos):,} files; at most {entries:,} are looked at: pack the scan alone")
            scans = [info for info in infos if _is_scan(info)]
            if len(scans) != 1:
                what = many(len(scans), "scan") if scans else "no scan"
                raise BadInput(f"the zip holds {what} ({', '.join(SUFFIXES)}): pack one scan with its files, and nothing else")
            name = PurePosixPath(scans[0].filename).name
            path = target.with_suffix(PurePosixPath(name).suffix.lower())
            try:
                _unpack(package, scans[0], path, unpacked)
            except BaseException:
                path.unlink(missing_ok=True)
                raise
            return path, name
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OverflowError, OSError) as error:
        words = "".join(c if c.isprintable() else " " for c in str(error))[:80]
        raise BadInput(f"the zip is cut off, damaged or no zip ({words or type(error).__name__}): pack it again") from None


def _is_scan(info: zipfile.ZipInfo) -> bool:
    """Whether an entry is a scan. Raises BadInput for one that no honest zip of a scan holds."""
    name = info.filename
    if name.startswith(("/", "\\")) or "\\" in name or "\0" in name or ":" in name.split("/")[0] or ".." in name.split("/"):
        raise BadInput(f"the zip holds {shown(name)}, a name that leads outside of it: it is not opened")
    if stat.S_ISLNK(info.external_attr >> 16):
        raise BadInput(f"the zip holds {shown(name)}, a link to somewhere else: it is not opened")
    path = PurePosixPath(name)
    if path.suffix.lower() in _PACKED:
        raise BadInput(f"the zip holds another package, {shown(name)}: unpack that first, then pack the scan alone")
    hidden = any(word.startswith((".", "__MACOSX")) for word in path.parts)
    return not info.is_dir() and not hidden and path.suffix.lower() in SUFFIXES


def _unpack(package: zipfile.ZipFile, info: zipfile.ZipInfo, path: Path, most: int) -> None:
    if info.flag_bits & 1:
        raise BadInput(f"the zip is under a password: pack {shown(info.filename)} without")
    out = 0
    with package.open(info) as stream, open(path, "xb") as file:
        while piece := stream.read(_PIECE):
            out += len(piece)
            if out > most or (out > _FREE and out > _RATIO * max(info.compress_size, 1)):
                so_far = f"{out - len(piece):,} bytes from {info.compress_size:,}"
                raise BadInput(f"{shown(info.filename)} unpacks to more than {so_far}; that is no scan, and it is not read on")
            file.write(piece)
