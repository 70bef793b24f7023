"""The rows of a table, run by run."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np

from offtake.journal.bulk.arrays import Ints, Ints32


def by_run(run: Ints32, rows: Ints) -> Iterator[tuple[int, Ints]]:
    """The run and its rows, in order, for each run that ``rows`` are of; ``run``, by row, has no -1 among them."""
    if not rows.size:
        return
    of_row = run[rows]
    steps = np.diff(of_row)
    if np.any(steps < 0):
        order = np.argsort(of_row, kind="stable")
        rows, of_row = rows[order], of_row[order]
        steps = np.diff(of_row)
    firsts = [0, *(np.flatnonzero(steps) + 1).tolist(), len(rows)]
    for first, stop in pairwise(firsts):
        yield int(of_row[first]), rows[first:stop]
