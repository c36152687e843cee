"""An HTML file that needs nothing but itself: script and style inside, and a policy that lets nothing else run or load."""

from __future__ import annotations

import base64
import hashlib
import html
from functools import cache
from pathlib import Path

from lint.report.plain import shown

_HERE = Path(__file__).parent
_SCRIPTS = ("space.js", "solid.js", "fit.js", "draw.js", "tags.js", "lines.js", "hands.js", "eye.js", "taking.js", "crop.js", "view.js")


@cache
def script() -> str:
    """The viewer as one classic script that defines createView, decodeMesh and decodeValues, and nothing else."""
    body = "\n".join((_HERE / name).read_text(encoding="utf-8") for name in _SCRIPTS)
    names = "{ createView, decodeMesh, decodeValues }"
    return f'const {names} = (() => {{\n"use strict";\n{body}\nreturn {names};\n}})();\n'


@cache
def style() -> str:
    """The style of the viewer and of a sheet of ours, with the colours of light and dark."""
    return (_HERE / "view.css").read_text(encoding="utf-8")


@cache
def source(name: str) -> str:
    """The text of another script or style of this folder."""
    return (_HERE / name).read_text(encoding="utf-8")


def policy(scripts: tuple[str, ...], styles: tuple[str, ...]) -> str:
    """A content security policy under which exactly these scripts and styles work, pictures inside the file, and no request at all."""
    kinds = (("script-src", scripts), ("style-src", styles))
    allowed = [f"{kind} {' '.join(_hash(text) for text in texts)}" for kind, texts in kinds if texts]
    return "; ".join(("default-src 'none'", *allowed, "img-src data:", "base-uri 'none'", "form-action 'none'"))


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode('utf-8')).digest()).decode('ascii')}'"


def text(words: str) -> str:
    """Words from anywhere as HTML: steering characters spelled out, and nothing in them is taken for markup."""
    return html.escape(shown(words), quote=True)


def data(content: str) -> str:
    """JSON text fit to stand inside a script element that no browser runs."""
    for char in "&<>\u2028\u2029":
        content = content.replace(char, f"\\u{ord(char):04x}")
    return content


def document(title: str, body: str, *, scripts: tuple[str, ...], styles: tuple[str, ...], head: str = "") -> str:
    """The whole file. `body` and `head` are HTML already; `title` is words; scripts run in their order at the end."""
    for part in (*scripts, *styles):
        if "</script" in part.lower() or "</style" in part.lower() or "<!--" in part:
            raise ValueError("a script or style that would end its own element")
    return "\n".join(
        (
            "<!doctype html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{html.escape(policy(scripts, styles))}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="referrer" content="no-referrer">',
            f"<title>{text(title)}</title>",
            *(f"<style>{s}</style>" for s in styles),
            head + "</head>",
            "<body>",
            body,
            *(f"<script>{s}</script>" for s in scripts),
            "</body>",
            "</html>",
            "",
        )
    )
