"""Measurements: geometry, never limits. Asked for by parameter name, computed once a part, handed out read-only.

A measurement is a plain function marked `@measure`; its parameters name the part or other measurements. A part never
changes (a fix makes a new one), so nothing has to be tracked: a new part simply has an empty survey.
"""

from __future__ import annotations

import dataclasses
import importlib
import inspect
import pkgutil
import threading
import time
from collections.abc import Callable
from functools import cache
from typing import Any, TypeVar

from lint.terms import NotRun, Part

Function = TypeVar("Function", bound=Callable[..., Any])
_KNOWN: dict[str, Callable[..., Any]] = {}
_LOADED = False


def measure(function: Function) -> Function:
    """Decorator: make a function known as a measurement under its own name. Raises ValueError for a name taken twice."""
    name = function.__name__
    if name in _KNOWN and _KNOWN[name].__module__ != function.__module__:
        raise ValueError(f"two measurements are called {name!r}: {_KNOWN[name].__module__} and {function.__module__}")
    _KNOWN[name] = function
    return function


def known() -> dict[str, Callable[..., Any]]:
    """Every measurement, by name. Looks in this folder the first time; raises ValueError on a cycle or unknown name."""
    global _LOADED
    if not _LOADED:
        for module in pkgutil.iter_modules(__path__):
            importlib.import_module(f"{__name__}.{module.name}")
        sound: set[str] = set()
        for name in _KNOWN:
            _check(name, (), sound)
        _LOADED = True
    return _KNOWN


def named(name: str) -> Callable[..., Any]:
    """The measurement of that name; where whoever asks has loaded it already, no other is looked for. Raises KeyError."""
    return _KNOWN.get(name) or known()[name]


@cache
def wants(function: Callable[..., Any]) -> tuple[str, ...]:
    """The parameter names of a function: what it asks for."""
    return tuple(inspect.signature(function).parameters)


def _check(name: str, path: tuple[str, ...], sound: set[str]) -> None:
    if name in sound:
        return
    if name in path:
        raise ValueError("measurements ask for each other in a circle: " + " -> ".join((*path, name)))
    if name not in _KNOWN:
        raise ValueError(f"measurement {path[-1] if path else '?'} asks for {name!r}, which nobody measures")
    for other in wants(_KNOWN[name]):
        if other != "part":
            _check(other, (*path, name), sound)
    sound.add(name)


class Survey:
    """The measurements of one part: lazy, kept, frozen. `seconds` books the time of each to itself alone.

    Several threads may ask at once: each measurement is taken by the first that wants it, while the others wait for it alone. What it
    asks for in turn is got beforehand, so no thread waits while it holds what another waits for.
    """

    def __init__(self, part: Part) -> None:
        self.part = part
        self.seconds: dict[str, float] = {}
        self._values: dict[str, Any] = {"part": part}
        self._failures: dict[str, Exception] = {}
        self._turn: dict[str, threading.Lock] = {}
        self._door = threading.Lock()

    def taken(self, name: str) -> Any:
        """The measurement `name` if it has been taken already, else None: nothing is measured for it."""
        return self._values.get(name)

    def get(self, name: str) -> Any:
        """The measurement `name`. Raises NotRun, with the reason, when it cannot be had; a crash is raised as it was."""
        if name in self._values:
            return self._values[name]
        if name in self._failures:
            raise self._failures[name]
        function = named(name)
        failed: Exception | None = None
        inputs: dict[str, Any] = {}
        try:
            inputs = {other: self.get(other) for other in wants(function)}
        except Exception as error:
            failed = error
        with self._door:
            turn = self._turn.setdefault(name, threading.Lock())
        with turn:
            if name in self._values:  # while this thread waited, another took it
                return self._values[name]
            if name in self._failures:
                raise self._failures[name]
            return self._take(name, function, inputs, failed)

    def _take(self, name: str, function: Callable[..., Any], inputs: dict[str, Any], failed: Exception | None) -> Any:
        try:
            if failed is not None:
                raise failed
            began = time.perf_counter()
            value = function(**inputs)
            self.seconds[name] = time.perf_counter() - began
        except NotRun as reason:
            self._failures[name] = reason
            raise
        except MemoryError as error:
            self._failures[name] = error
            raise
        except Exception as error:
            failure = MeasurementFailed(f"the measurement {name} failed: {type(error).__name__}: {error}")
            failure.__cause__ = error
            self._failures[name] = failure if not isinstance(error, MeasurementFailed) else error
            raise self._failures[name] from error
        _freeze(value)
        self._values[name] = value
        return value


class MeasurementFailed(Exception):
    """A measurement crashed: every rule that asked for it is not run, and the run says so as our own bug."""


def _freeze(value: Any) -> None:
    import numpy as np

    if isinstance(value, np.ndarray):
        value.setflags(write=False)
    elif dataclasses.is_dataclass(value) and not isinstance(value, type):
        for item in dataclasses.fields(value):
            _freeze(getattr(value, item.name))
    elif isinstance(value, list | tuple):
        for item in value:
            _freeze(item)
