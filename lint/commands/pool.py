"""Work spread over processes, one part each, where the death of a process costs one part and no more."""

from __future__ import annotations

import multiprocessing
import signal
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from typing import Any, TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")


def spread(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    jobs: int,
    *,
    order: Sequence[int],
    died: Callable[[Item], Result],
    prepare: Callable[..., None],
    prepare_with: tuple[Any, ...] = (),
    ended: Callable[[int], None] = lambda count: None,
) -> list[Result]:
    """The results of `work` on every item, in the order of the items.

    order: the indices in the order to begin them, such as the biggest first. died: the result for an item whose process
    ended without a word. prepare: called with prepare_with once in each new process. ended: told how many are finished.
    """
    results: dict[int, Result] = {}
    waiting = list(order)

    def run(indices: Sequence[int], workers: int) -> None:
        pool = ProcessPoolExecutor(
            workers, mp_context=multiprocessing.get_context("spawn"), initializer=_begin, initargs=(prepare, prepare_with)
        )
        try:
            futures = {pool.submit(work, items[i]): i for i in indices}
            for future in as_completed(futures):
                results[futures[future]] = future.result()
                ended(len(results))
        except BaseException as error:
            pool.shutdown(wait=False, cancel_futures=True)
            if not isinstance(error, BrokenProcessPool):
                for child in multiprocessing.active_children():
                    child.terminate()
                raise
        else:
            pool.shutdown()

    while waiting:
        run(waiting, min(jobs, len(waiting)))
        waiting = [i for i in waiting if i not in results]
        # A broken pool does not say who broke it, but only those begun or queued can have: each of them gets a process of its own.
        for index in waiting[: 2 * jobs + 1]:
            run([index], 1)
            if index not in results:
                results[index] = died(items[index])
        waiting = [i for i in waiting if i not in results]
    return [results[i] for i in range(len(items))]


def _begin(prepare: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the first process hears Ctrl-C and ends the others
    prepare(*arguments)
