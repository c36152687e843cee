"""What a run is: which parts, by what facts and rules, and how it is done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from lint import cores
from lint.commands.keys import Keys
from lint.commands.shelves import Facts


@dataclass(frozen=True)
class Run:
    """What every part of a run is judged by: the facts, the rules asked for, and the shelf it may be compared with.

    known: what has been measured of the shelf beforehand, so that no process does it again: by part and name, a value or NotRun.
    drawn: the pictures wanted of each part, "card", "sketch" or "page". cores: how many one part may be judged on at once.
    """

    facts: Facts
    only: frozenset[int] | None
    parts: tuple[Path, ...]
    known: Mapping[tuple[Path, str], Any] = field(default_factory=dict)
    drawn: tuple[str, ...] = ()
    cores: int = 1

    def facts_of(self, path: Path) -> Facts:
        """The facts for a part: a ticket named for this run speaks of its own parts and not of one that is only looked at, as a pair."""
        return self.facts if self.facts.ticket is None or path in self.parts else Facts(flags=self.facts.flags)

    def keys(self) -> Keys:
        """The keys of parts in this run."""
        return Keys(self.facts.flags, self.only)


@dataclass(frozen=True)
class Task:
    """A part to judge. key: where only the rules that compare parts have to be heard again, that of the part as it was known."""

    path: Path
    key: str | None = None


@dataclass(frozen=True)
class How:
    """How a run is done, which changes no verdict.

    jobs: parts examined at a time, or cores that one large part may use; None for one a core. deadline: seconds that one part may take;
    memory: GiB. Either of these brings even a single part into a process of its own. fresh: what earlier runs found is not heard.
    scheduler: of a cluster, to examine there.
    """

    jobs: int | None = None
    deadline: float | None = None
    memory: float | None = None
    fresh: bool = False
    scheduler: str | None = None

    def most(self) -> int:
        """How many parts may be examined at a time."""
        return self.jobs or cores.allowed()

    def apart(self, parts: int) -> bool:
        """Whether to examine in processes of their own, in a run of so many parts."""
        several = self.most() > 1 and parts > 1
        return self.scheduler is None and (several or self.deadline is not None or self.memory is not None)
