"""Which parts a change touches: asked of git, with tickets, shop file and ledger bringing in the parts they speak of.

Git is asked as a program and told to end names with a zero byte, so spaces, newlines and letters of any script survive.
"""

from __future__ import annotations

import subprocess
from collections.abc import Sequence
from pathlib import Path

from lint.terms import BadInput
from lint.ticket import Accepted, Ledger

SHOP = "shop.toml"
LEDGER = "ledger.toml"


def changed_since(parts: Sequence[Path], revision: str, folder: Path) -> list[Path]:
    """The parts, in their order, that differ in the work tree from where it and `revision` parted, or whose facts do.

    So what was done on main meanwhile is no part of a branch's change. Where the two have no common beginning (a clone that is not
    deep enough), the revision itself is compared with: more is judged then, never less. A part is brought in by a change
    (also a removal) of its own file, its ticket, its pair's file, the shop file above it, or its own entries in the ledger.
    Raises BadInput when `folder` is in no git work tree or the revision is unknown.
    """
    nowhere = f"{folder}: it is not in a git work tree; leave out --changed-since"
    top = Path(_git(folder, "rev-parse", "--show-toplevel", why=nowhere).removesuffix("\n"))
    commit = _git(top, "rev-parse", "--verify", "--quiet", "--end-of-options", f"{revision}^{{commit}}",
                  why=f"--changed-since {revision}: git knows no such revision here").strip()  # fmt: skip
    base = _common(top, commit)
    listed = _git(top, "diff", "--name-only", "--no-renames", "-z", base, "--").split("\0")
    listed += _git(top, "ls-files", "--others", "--exclude-standard", "-z").split("\0")
    changed = {(top / name).resolve() for name in listed if name}
    shops = {p.parent for p in changed if p.name == SHOP}
    accepted = {p for ledger in changed if ledger.name == LEDGER for p in _parts_of_ledger(top, ledger, base)}
    return [p for p in parts if _touched(p, changed, shops, accepted)]


def _common(top: Path, commit: str) -> str:
    """The commit that this one and the work tree's both come from, else this one."""
    done = subprocess.run(["git", "-C", str(top), "merge-base", commit, "HEAD"], capture_output=True, text=True, check=False)
    return done.stdout.strip() if done.returncode == 0 else commit


def _touched(part: Path, changed: set[Path], shops: set[Path], accepted: set[Path]) -> bool:
    # The name in the tree and, for a link, the file it leads to: a change of either changes what is read.
    named, real = part.parent.resolve() / part.name, part.resolve()
    own = {named, real, *(p.with_name(n) for p in (named, real) for n in (f"{p.name}.ticket.toml", f"{p.stem}.ticket.toml"))}
    above = set(named.parents) | set(real.parents)
    # A folder that is itself listed as changed is a submodule: git names it as one thing.
    return bool(own & changed or above & changed or above & shops or {named, real} & accepted or _pair(named) & changed)


def _pair(part: Path) -> set[Path]:
    """The file that the part's ticket names as its pair; empty when there is no ticket that can be read."""
    from lint.load.ticket import find_ticket, read_ticket

    try:
        ticket = find_ticket(part)
        name = read_ticket(ticket).part.pair if ticket is not None else None
    except BadInput:
        return set()  # the part itself will be reported for its ticket if that changed
    return {(part.parent / name).resolve()} if name else set()


def _parts_of_ledger(top: Path, ledger: Path, revision: str) -> set[Path]:
    """Parts whose ledger entries differ between the revision and the work tree."""
    import msgspec

    def entries(text: str) -> dict[str, list[Accepted]]:
        grouped: dict[str, list[Accepted]] = {}
        for entry in msgspec.toml.decode(text, type=Ledger).accepted:
            grouped.setdefault(entry.part, []).append(entry)
        return grouped

    shown = subprocess.run(
        ["git", "-C", str(top), "show", f"{revision}:{ledger.relative_to(top.resolve()).as_posix()}"], capture_output=True, check=False
    )
    try:
        was = entries(shown.stdout.decode("utf-8")) if shown.returncode == 0 else {}
        now = entries(ledger.read_text(encoding="utf-8")) if ledger.is_file() else {}
    except (msgspec.MsgspecError, UnicodeDecodeError) as error:
        raise BadInput(f"{ledger}: it cannot be read: {error}") from error
    return {(ledger.parent / name).resolve() for name in was.keys() | now.keys() if was.get(name) != now.get(name)}


def _git(folder: Path, *words: str, why: str = "") -> str:
    try:
        done = subprocess.run(["git", "-C", str(folder), *words], capture_output=True, check=False)
    except OSError as error:
        raise BadInput(f"--changed-since needs the git program, and it could not be started: {error}") from error
    if done.returncode != 0:
        said = done.stderr.decode("utf-8", "replace").strip().splitlines()
        raise BadInput(why or f"git {words[0]} failed: {said[-1] if said else done.returncode}")
    return done.stdout.decode("utf-8", "surrogateescape")
