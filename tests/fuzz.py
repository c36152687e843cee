"""Throws damaged files at the readers: every one must give a Part or a BadInput, soon and in little memory.

`python -m tests.fuzz --count 20000` prints counts a format; a failure prints its seed and is kept in --keep FOLDER.
"""

from __future__ import annotations

import argparse
import io
import random
import resource
import struct
import sys
import tempfile
import time
import zipfile
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from lint.load import read
from lint.load.ticket import read_ledger, read_shop, read_ticket
from lint.terms import BadInput, Part
from tests import samples

SLOWEST_S = 10.0
LARGEST_MIB = 1024
NASTY = (
    b"", b"0", b"-1", b"1", b"3", b"7", b"255", b"65536", b"2147483647", b"4294967295", b"99999999999999999999", b"-9223372036854775808",
    b"1e308", b"1e400", b"-nan", b"inf", b"1.0.5", b"1,5", b"0x10", b"1_0", b"\0", b"\n", b"\r", b" ", b"\t", b"#", b"/", b"\"", b"'",
    b"<", b">", b"&", b"]]>", b"{", b"}", b"[", b"]", b":", b"=", b"\xff", b"\xef\xbb\xbf", b"\xff\xfe", b"true", b"null", b"../",
)  # fmt: skip
# As whole numbers the edges of 32 bits; as floats infinity and not a number.
NASTY_WORDS = (0, 1, 2, 1 << 20, 0x7FFFFFFF, 0x80000000, 0xFFFFFFFF, 0x7F800000, 0x7FC00000)


@dataclass
class Tally:
    """What came of the mutants of one format."""

    ends: Counter[str] = field(default_factory=Counter)
    slowest: float = 0.0
    failures: list[str] = field(default_factory=list)


def mutant(data: bytes, dice: random.Random) -> bytes:
    """The bytes with one to a few injuries."""
    body = bytearray(data)
    for _ in range(dice.choice((1, 1, 1, 2, 3, 8))):
        at = dice.randrange(len(body) + 1)
        size = min(dice.choice((1, 1, 2, 4, 8, 50, 500)), len(body) - at)
        kind = dice.randrange(9)
        if kind == 0 and size:
            body[at] ^= 1 << dice.randrange(8)
        elif kind == 1 and size:
            body[at] = dice.randrange(256)
        elif kind == 2:
            del body[at : at + size]
        elif kind == 3:
            body[at:at] = body[at : at + size]
        elif kind == 4:
            body[at:at] = dice.choice(NASTY)
        elif kind == 5:
            del body[at:]
        elif kind == 6 and size >= 4:
            body[at : at + 4] = struct.pack("<I", dice.choice(NASTY_WORDS))
        elif kind == 7:
            other = dice.randrange(len(body) + 1)
            piece = bytes(body[other : other + size])
            body[at : at + len(piece)] = piece
        else:
            _other_word(body, at, dice)
    return bytes(body)


def _other_word(body: bytearray, at: int, dice: random.Random) -> None:
    """Replace the word or number around a place by a nasty one."""
    parting = b" \t\r\n,:\"<>=/[]{}"
    start = at
    while start > 0 and body[start - 1] not in parting and at - start < 40:
        start -= 1
    end = at
    while end < len(body) and body[end] not in parting and end - at < 40:
        end += 1
    body[start:end] = dice.choice(NASTY)


def inner_mutant(name: str, data: bytes, dice: random.Random) -> bytes:
    """A mutant whose injury lies inside the container, with the container made whole around it."""
    if name.endswith(".3mf"):
        with zipfile.ZipFile(io.BytesIO(data)) as package:
            parts = {n: package.read(n) for n in package.namelist()}
        victim = dice.choice([n for n in parts if n.endswith((".model", ".rels"))])
        parts[victim] = mutant(parts[victim], dice)
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w", dice.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED))) as package:
            for part, text in parts.items():
                package.writestr(part, text)
        return packed.getvalue()
    if name.endswith(".glb"):
        size = struct.unpack_from("<I", data, 12)[0]
        return samples.glb_of(mutant(data[20 : 20 + size], dice), data[28 + size :])
    return mutant(data, dice)


def judge(path: Path) -> str:
    """How reading a file ended, in one word. Anything but a Part or a BadInput is raised."""
    try:
        if path.name.endswith("ticket.toml"):
            read_ticket(path)
            return "read"
        if path.name == "shop.toml":
            read_shop(path)
            return "read"
        if path.name == "ledger.toml":
            read_ledger(path)
            return "read"
        part = read(path)
    except BadInput as reason:
        text = str(reason)
        assert "\n" not in text, f"a message of two lines: {text!r}"
        assert path.name in text, f"a message without the file: {text!r}"
        return "refused"
    return _sound(part)


def _sound(part: Part) -> str:
    assert part.vertices.dtype == np.float64
    assert part.faces.dtype == np.int64
    assert part.vertices.ndim == part.faces.ndim == 2
    assert part.vertices.shape[1] == part.faces.shape[1] == 3
    assert len(part.source.sha256) == 64
    return "read"


def run(name: str, data: bytes, count: int, seed: int, folder: Path, keep: Path | None = None) -> Tally:
    """Read `count` mutants of one sample and tally how they ended."""
    tally = Tally()
    path = folder / Path(name).name
    for number in range(count):
        dice = random.Random(f"{name} {seed} {number}")
        injured = inner_mutant(name, data, dice) if dice.random() < 0.5 else mutant(data, dice)
        path.write_bytes(injured)
        began = time.perf_counter()
        try:
            tally.ends[judge(path)] += 1
        except Exception as error:
            tally.failures.append(f"{name} mutant {number}: {type(error).__name__}: {error}")
            if keep is not None:
                (keep / f"{number}-{path.name}").write_bytes(injured)
        seconds = time.perf_counter() - began
        tally.slowest = max(tally.slowest, seconds)
        if seconds > SLOWEST_S:
            tally.failures.append(f"{name} mutant {number}: {seconds:.1f} s")
        if peak_mib() > LARGEST_MIB:
            tally.failures.append(f"{name} mutant {number}: {peak_mib():.0f} MiB")
            break
    return tally


def peak_mib() -> float:
    """The most memory this process has held."""
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1024 * 1024 if sys.platform == "darwin" else 1024)


def main() -> int:
    """Run mutants over every sample; 0 when none got through."""
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--count", type=int, default=20_000, help="mutants over all samples")
    options.add_argument("--seed", type=int, default=0)
    options.add_argument("--only", default="", help="samples whose name holds this")
    options.add_argument("--keep", type=Path)
    said = options.parse_args()
    chosen = {n: d for n, d in samples.every_sample().items() if said.only in n}
    failures = 0
    with tempfile.TemporaryDirectory() as folder:
        for name, data in chosen.items():
            tally = run(name, data, -(-said.count // len(chosen)), said.seed, Path(folder), said.keep)
            failures += len(tally.failures)
            ends = ", ".join(f"{n:,} {word}" for word, n in sorted(tally.ends.items()))
            print(f"{name:28} {ends}; slowest {tally.slowest:.2f} s; peak {peak_mib():.0f} MiB; {len(tally.failures)} failed", flush=True)
            for failure in tally.failures[:5]:
                print(f"    {failure}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
