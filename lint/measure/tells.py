"""What a file says about people besides its shape: pictures that travel with it, and words in its comments and metadata."""

from __future__ import annotations

import re
from dataclasses import dataclass

from lint.measure import measure
from lint.terms import Part


@dataclass(frozen=True)
class Tells:
    """pictures: names of attached images and material files; words: (kind, where, text) of each telling passage."""

    pictures: tuple[str, ...]
    words: tuple[tuple[str, str, str], ...]


# What gives a person or a place away. Looked for in comments, headers, metadata and object names; never in coordinates.
_PATTERNS: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("an e-mail address", re.compile(r"[\w.+-]+@[\w-]+\.[a-z]{2,}", re.I)),
    ("a telephone number", re.compile(r"(?<![\w.])\+\d[\d ()/-]{7,}\d(?![\w.])")),
    ("a position on the map", re.compile(r"\b(gps|lat(itude)?|lon(g|gitude)?)\b\s*[:=]?\s*-?\d+\.\d+", re.I)),
    ("a home folder", re.compile(r"([/\\](Users|home)[/\\]|Documents and Settings[/\\])[^/\\\s]+", re.I)),
    ("a date of birth", re.compile(r"\b(dob|born|birth(day|date)?|date of birth)\b", re.I)),
    ("a person's record", re.compile(r"\b(patient|client|subject|person|actor|actress|performer)('?s)?\b\s*(name|id|no)?\s*[:=#]", re.I)),
    ("a name", re.compile(r"\b(first|last|given|family|full|sur)?[ _-]?name\b\s*[:=]\s*\S+", re.I)),
    ("who made it", re.compile(r"\b(?i:author|designer|creator|owner|operator|scanned by|scan of|by)\b\s*[:=]?\s+[A-Z]\w+")),
    ("a street address", re.compile(r"\b\d{1,4}\s+[A-Z]\w+\s+(?i:street|st\.|road|rd\.|avenue|ave\.|lane|straße|strasse|str\.)(?!\w)")),
)
_PICTURES = re.compile(r"\.(jpe?g|png|webp|tiff?|bmp|gif|ktx2?|heic|mtl)$", re.I)


@measure
def tells(part: Part) -> Tells:
    """Search the strings that the reader kept. Words of a language are not understood: only telling forms are found."""
    words = [
        (kind, where, text.strip())
        for where, text in (*part.source.texts, *(("object name", name) for name in part.source.objects))
        for kind, pattern in _PATTERNS
        if pattern.search(f"{where}: {text}" if where.isidentifier() else text)
    ]
    pictures = tuple(a for a in part.source.attachments if _PICTURES.search(a) or "image" in a.lower() or "texture" in a.lower())
    return Tells(pictures, tuple(dict.fromkeys(words)))
