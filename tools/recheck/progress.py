"""How far a re-check is, how fast, and how long it still takes."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

from tqdm import tqdm

from tools.recheck.run import Tell


@contextmanager
def bar() -> Iterator[Tell]:
    """One line on standard error; nothing where nobody looks."""
    with tqdm(unit=" sets", disable=not sys.stderr.isatty(), dynamic_ncols=True) as shown:

        def tell(n_sets: int, n_all: int | None) -> None:
            shown.total = n_all
            shown.update(n_sets - shown.n)

        yield tell
