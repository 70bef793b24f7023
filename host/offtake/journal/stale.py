"""An index that does not tell, or no longer, what the file of its journal holds."""

from __future__ import annotations

import numpy as np

from offtake.errors import OfftakeError
from offtake.generated.records import BLOCK_SIZE
from offtake.journal.bulk.arrays import Bools, Ints
from offtake.journal.bulk.order import WHOLE, Entries, Order
from offtake.journal.bulk.window import BlockTable


class StaleIndexError(OfftakeError):
    """A block is not what an index says of it: whoever reads by a stored index begins again without it. No person gets
    to see it."""


def stale_at(position: int) -> StaleIndexError:
    """The block at ``position`` is not what the index says."""
    return StaleIndexError("not what the index says", where=f"byte {position * BLOCK_SIZE}")


def require_entries(blocks: BlockTable, entries: Entries) -> None:
    """StaleIndexError unless ``blocks`` are what was noted of them in ``entries``: whole ones with their number and
    run, and damaged ones."""
    whole = entries.what & WHOLE > 0
    as_told = np.where(whole, blocks.intact & (blocks.number == entries.number) & (blocks.run == entries.run),
                       ~blocks.intact)  # fmt: skip
    _require(as_told, blocks.position)


class Places:
    """What an order says of each place in the file."""

    def __init__(self, order: Order) -> None:
        whole = order.extents[order.extents["what"] & WHOLE > 0]
        self._whole = whole[np.argsort(whole["position"], kind="stable")]
        self._first = self._whole["position"].astype(np.int64)

    def require(self, blocks: BlockTable) -> None:
        """StaleIndexError unless the intact ones of ``blocks`` are those of which the order says so."""
        if not self._first.size:
            _require(~blocks.intact, blocks.position)
            return
        at = np.searchsorted(self._first, blocks.position, "right") - 1
        told = self._whole[at]
        within = blocks.position - self._first[at]
        inside = (at >= 0) & (within < told["count"])
        alike = (blocks.number == told["number"] + within) & (blocks.run == told["run"])
        _require(np.where(inside, blocks.intact & alike, ~blocks.intact), blocks.position)


def _require(as_told: Bools, position: Ints) -> None:
    if not as_told.all():
        raise stale_at(int(position[np.argmin(as_told)]))
