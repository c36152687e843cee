"""The zip package of a 3MF, opened with suspicion: names, sizes and how far it unpacks are judged before anything is."""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Iterator
from urllib.parse import unquote

from lint.load.raw import Fault, LoadLimits, shown

_PIECE = 1 << 20
_FREE_RATIO = 16 << 20


class Package:
    """The parts of a package by name. Names are compared without regard to case, as the Open Packaging Conventions do."""

    def __init__(self, data: bytes, limits: LoadLimits) -> None:
        self._limits = limits
        self._unpacked = 0
        try:
            self._zip = zipfile.ZipFile(io.BytesIO(data))
            entries = self._zip.infolist()
        except (zipfile.BadZipFile, NotImplementedError, ValueError, OverflowError, OSError, EOFError) as error:
            raise Fault(f"it is not a whole zip package ({_words(error)}): it is cut off, damaged or another kind of file") from None
        if len(entries) > limits.max_entries:
            raise Fault(f"its package holds {len(entries):,} files; at most {limits.max_entries:,} are read")
        claimed = sum(e.file_size for e in entries)
        if claimed > limits.max_unpacked:
            raise Fault(f"its package would unpack to {claimed:,} bytes; at most {limits.max_unpacked:,} are unpacked")
        self._entries: dict[str, zipfile.ZipInfo] = {}
        for entry in entries:
            self._admit(entry)

    def _admit(self, entry: zipfile.ZipInfo) -> None:
        name = entry.filename
        if name.startswith(("/", "\\")) or "\\" in name or ":" in name.split("/")[0] or ".." in name.split("/") or "\0" in name:
            raise Fault(f"its package holds {shown(name)}, a name that leads outside; it is not opened")
        if entry.flag_bits & 1:
            raise Fault(f"its package holds {shown(name)} under a password; export it without")
        folded = unquote(name).casefold()
        if folded in self._entries:
            raise Fault(f"its package holds {shown(name)} twice, and which one counts cannot be told; export it again")
        if entry.file_size > _FREE_RATIO and entry.file_size > self._limits.max_ratio * max(entry.compress_size, 1):
            sizes = f"{entry.file_size:,} bytes from {entry.compress_size:,}"
            raise Fault(f"{shown(name)} would unpack to {sizes}; that is no mesh, and it is not opened")
        self._entries[folded] = entry

    @property
    def names(self) -> list[str]:
        """The names as the package writes them."""
        return [e.filename for e in self._entries.values()]

    def __contains__(self, name: str) -> bool:
        return self._fold(name) in self._entries

    @staticmethod
    def _fold(name: str) -> str:
        return unquote(name.lstrip("/")).casefold()

    def pieces(self, name: str) -> Iterator[bytes]:
        """A part of the package, unpacked a piece at a time; never more than it claimed, and its checksum is checked."""
        entry = self._entries.get(self._fold(name))
        if entry is None:
            raise Fault(f"its package lacks {shown(name)}; it is cut off or damaged")
        if entry.compress_type not in (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED):
            raise Fault(f"{shown(name)} is packed in a way a 3MF may not use; export it again")
        try:
            with self._zip.open(entry) as stream:
                while piece := stream.read(_PIECE):
                    self._unpacked += len(piece)
                    if self._unpacked > self._limits.max_unpacked:
                        raise Fault(f"its package unpacks to more than {self._limits.max_unpacked:,} bytes; it is not read on")
                    yield piece
        except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, ValueError, OSError) as error:
            raise Fault(f"{shown(name)} in its package is damaged ({_words(error)}); copy or export it again") from None


def _words(error: Exception) -> str:
    text = "".join(c if c.isprintable() else " " for c in str(error))[:80].strip()
    return (text[:1].lower() + text[1:]).rstrip(".") or type(error).__name__
