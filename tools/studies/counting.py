"""Many simulated sets, counted: running them on several cores, exact bounds, plain tables."""

import argparse
import multiprocessing
import sys
from collections.abc import Callable, Generator, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from typing import Any

import scipy.stats


def study_words(description: str, n_sets: int) -> argparse.ArgumentParser:
    """The command words that all studies share."""
    parser = argparse.ArgumentParser(description=description)
    parser.add_argument("--sets", type=int, default=n_sets, help=f"simulated sets (default {n_sets})")
    parser.add_argument("--seed", type=int, default=1, help="the same seed gives the same sets (default 1)")
    parser.add_argument("--jobs", type=int, default=1, help="processes at a time (default 1)")
    return parser


def run(one_set: Callable[[Any], Any], jobs: int, tasks: Sequence[Any]) -> Generator[Any, None, None]:
    """`one_set` of every task, in their order, with a count on standard error.

    Processes are started afresh, each with one thread for linear algebra (tools/studies/__init__.py).
    """
    if jobs == 1:
        yield from _counted(map(one_set, tasks), len(tasks))
        return
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn")) as pool:
        try:
            yield from _counted(pool.map(one_set, tasks, chunksize=4), len(tasks))
        finally:  # whoever has seen enough and closes this waits for no others
            pool.shutdown(cancel_futures=True)


def _counted(results: Iterable[Any], n: int) -> Generator[Any, None, None]:
    for done, result in enumerate(results, 1):
        if done % 20 == 0 or done == n:
            print(f"{done} of {n}", file=sys.stderr, flush=True)
        yield result


def clopper_pearson(k: int, n: int, level: float = 0.95) -> tuple[float, float]:
    """Exact two-sided confidence bounds of a proportion, k of n seen (Clopper and Pearson 1934)."""
    rest = (1 - level) / 2
    lower = float(scipy.stats.beta.ppf(rest, k, n - k + 1)) if k else 0.0
    upper = float(scipy.stats.beta.isf(rest, k + 1, n - k)) if k < n else 1.0
    return lower, upper


def lower_bound(k: int, n: int, level: float = 0.95) -> float:
    """Exact one-sided lower confidence bound of a proportion."""
    return float(scipy.stats.beta.ppf(1 - level, k, n - k + 1)) if k else 0.0


def share(k: int, n: int) -> str:
    """`93.2 % (91.5 to 94.7)`, with 95 % bounds; `-` of nothing."""
    if not n:
        return "-"
    lower, upper = clopper_pearson(k, n)
    return f"{100 * k / n:.1f} % ({100 * lower:.1f} to {100 * upper:.1f})"


def table(head: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Columns as wide as they need to be, the first flush left."""
    lines = [tuple(head), *(tuple(str(cell) for cell in row) for row in rows)]
    widths = [max(len(line[i]) for line in lines) for i in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.ljust(w) if i == 0 else cell.rjust(w)
            for i, (cell, w) in enumerate(zip(line, widths, strict=True))
        )
        for line in lines
    )
