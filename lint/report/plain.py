"""Words and numbers as every renderer shows them: nothing a file or its name holds can steer the reader's screen."""

from __future__ import annotations

import math
import os
import unicodedata
from functools import lru_cache
from pathlib import Path

from lint.counting import COUNTED, unit_of
from lint.terms import Finding, LimitUsed, Place

# Joiners that real words need (Persian, emoji); every other invisible or steering character is spelled out.
_WANTED = frozenset("\u200c\u200d")
_UNSEEN = frozenset({"Cc", "Cf", "Cs", "Zl", "Zp", "Co", "Cn"})

UNIT_WORDS = {"micron": "microns", "mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches", "ft": "feet"}


def shown(text: str) -> str:
    """Text with control, direction-turning and invisible characters spelled out, on one line."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(c if _harmless(c) else _spelled(c) for c in text)


def _harmless(char: str) -> bool:
    return char in _WANTED or unicodedata.category(char) not in _UNSEEN


def _spelled(char: str) -> str:
    code = ord(char)
    if 0xDC80 <= code <= 0xDCFF:  # a byte of a file name that is no text, as Python carries it
        return f"\\x{code - 0xDC00:02x}"
    return f"\\x{code:02x}" if code < 0x100 else f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def path_text(path: Path) -> str:
    """A path for people: relative to where we stand when it is below it, made harmless."""
    try:
        return _path_text(path, os.getcwd() if path.is_absolute() else "")
    except OSError:
        return shown(str(path))


@lru_cache(1 << 14)
def _path_text(path: Path, here: str) -> str:
    return shown(str(_nearer(path, here)))


def near(path: Path) -> Path:
    """The path as given, or relative to the current folder when it lies below it."""
    if not path.is_absolute():
        return path
    try:
        return _nearer(path, os.getcwd())
    except OSError:
        return path


def _nearer(path: Path, here: str) -> Path:
    if not here or not str(path).startswith(here):
        return path
    try:
        return path.relative_to(here)
    except ValueError:
        return path


def number(value: float) -> str:
    """A number for people: three figures that matter, thousands set apart, no trailing noughts."""
    if not math.isfinite(value):
        return "beyond measure" if not math.isnan(value) else "not a number"
    if value == 0:
        return "0"
    if abs(value) >= 1000:
        return f"{value:,.0f}"
    digits = max(0, 2 - math.floor(math.log10(abs(value)))) if abs(value) < 100 else 1
    text = f"{value:.{min(digits, 6)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def amount(value: float, unit: str) -> str:
    """A number with its unit."""
    return f"{number(value)} {unit_of(value, unit)}".rstrip()


def limit_beside(finding: Finding) -> float | None:
    """The limit in the unit of what was measured; None where there is none, or where things are counted by their size: the sentence says
    that size."""
    sized = finding.unit in COUNTED and finding.limit is not None and not finding.limit.is_integer()
    return None if sized else finding.limit


def measured_text(finding: Finding) -> str:
    """What was measured against which limit."""
    text = f"measured {amount(finding.measured, finding.unit)}"
    limit = limit_beside(finding)
    if limit is not None:
        text += f", limit {amount(limit, finding.unit)}"
    return text + (" (sampled, an estimate)" if finding.sampled else "")


def place_text(place: Place, unit: str = "mm") -> str:
    """Where it is, in the coordinates of the part. `unit` is empty when the part's units are unknown."""
    x, y, z = (f"{v:.1f}" if abs(v) >= 0.05 or v == 0 else f"{v:.3f}" for v in place.centre)
    return f"at ({x}, {y}, {z}), reaching {amount(place.reach, unit)} around"


def limit_text(name: str, limit: LimitUsed) -> str:
    """One limit with who set it."""
    return f"{name} {amount(limit.value, limit.unit)} ({limit.set_by})"


def many(count: int, word: str, words: str = "") -> str:
    """A count with its noun: "1 stop", "3 stops"."""
    return f"{count:,} {word if count == 1 else words or word + 's'}"


def listed(items: list[str] | tuple[str, ...], joint: str = "and") -> str:
    """Items as a phrase: "a, b and c"."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {joint} {items[-1]}" if items else ""
