"""Whose turn it is: rules judged one after another, or by several threads at once, with the same outcome.

The first thread takes rules from the front and the others from the far end, so that they rarely want the same measurement at the same
time. A rule that others must be silent before waits until they have been heard. No verdict depends on who was heard when.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping

from lint.terms import Finding, Rule, RuleResult

Judged = tuple[RuleResult, list[Finding]]


class Turns:
    """The rules of one part by number, what each said, and which are still to be heard."""

    def __init__(self, rules: Mapping[int, Rule]) -> None:
        self.rules = dict(rules)
        self.results: dict[int, RuleResult] = {}
        self.found: dict[int, list[Finding]] = {}
        self._left = sorted(self.rules)
        self._taken: set[int] = set()
        self._changed = threading.Condition()
        self._failure: BaseException | None = None

    def ended(self, number: int, result: RuleResult, found: list[Finding]) -> None:
        """Keep what a rule said."""
        with self._changed:
            self.results[number], self.found[number] = result, found
            self._taken.discard(number)
            if number in self._left:
                self._left.remove(number)
            self._changed.notify_all()

    def spoke(self) -> set[int]:
        """The rules that have found something so far."""
        with self._changed:
            return {number for number, found in self.found.items() if found}

    def take_all(
        self, judge: Callable[[int], Judged], threads: int, alone: Callable[[Rule], bool], first: Callable[[], None] = lambda: None
    ) -> None:
        """Hear every rule that is left, on so many threads. alone: rules that only the calling thread may judge; first: what the second
        thread, where there is one, does before its first rule.

        Raises what `judge` raises, on whichever thread; an interruption is raised at once, and the others end with their rule.
        """
        helpers = [
            threading.Thread(target=self._help, args=(judge, alone, first if k == 1 else None), name=f"judge {k}", daemon=True)
            for k in range(1, threads)
        ]
        for helper in helpers:
            helper.start()
        try:
            while (number := self._next(lambda rule: True, front=True)) is not None:
                self.ended(number, *judge(number))
            for helper in helpers:
                helper.join()
        except BaseException as error:
            self._fail(error)
            raise
        if self._failure is not None:
            raise self._failure

    def _help(self, judge: Callable[[int], Judged], alone: Callable[[Rule], bool], first: Callable[[], None] | None) -> None:
        try:
            if first is not None:
                first()
            while (number := self._next(lambda rule: not alone(rule), front=False)) is not None:
                self.ended(number, *judge(number))
        except BaseException as error:
            self._fail(error)

    def _fail(self, error: BaseException) -> None:
        with self._changed:
            self._failure = self._failure or error
            self._left.clear()
            self._changed.notify_all()

    def _next(self, may: Callable[[Rule], bool], front: bool) -> int | None:
        """Take the next rule whose earlier ones have all been heard, or wait until one has; None when there is none left to take."""
        with self._changed:
            while True:
                mine = [number for number in self._left if may(self.rules[number])]
                if not mine:
                    return None
                ready = [number for number in self._left if self._ready(number)]
                now = [number for number in mine if number in ready]
                if now or not (ready or self._taken):  # rules that wait for each other would wait for ever
                    number = (now or mine)[0 if front else -1]
                    self._left.remove(number)
                    self._taken.add(number)
                    return number
                self._changed.wait()

    def _ready(self, number: int) -> bool:
        return all(earlier in self.results or earlier not in self.rules for earlier in self.rules[number].after)
