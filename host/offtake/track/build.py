"""From a run's stream to its track."""

from __future__ import annotations

from collections.abc import Generator, Iterable, Sequence

from offtake.dialects.message import DecodeCounts, Fault
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.tables import AnyDialect
from offtake.journal.bulk.stream import StreamWindow
from offtake.track.bulk_epochs import EpochBatch, EpochGrouper
from offtake.track.fix import Track
from offtake.track.timeline import fit_timeline


class EpochReader:
    """Hears the receiver's stream of run number ``run``, sent at ``baud``.

    All built-in dialects are heard, and the ``extra_dialects``. ``counts`` and ``notes`` (what a reader of the
    positions must know) are those of what was read so far. Raises :class:`~offtake.errors.UsageError` for a speed that
    is not positive.
    """

    def __init__(self, *, baud: int, run: int, extra_dialects: Sequence[AnyDialect] = ()) -> None:
        self._grouper = EpochGrouper(chosen_dialects(extra=extra_dialects), run, baud)

    @property
    def counts(self) -> DecodeCounts:
        """What the decoder saw."""
        return self._grouper.counts

    @property
    def faults(self) -> Sequence[Fault]:
        """The first faults, with their offsets in the stream."""
        return self._grouper.faults

    @property
    def notes(self) -> tuple[str, ...]:
        """What there is to say of the positions, in words."""
        return self._grouper.notes

    def batches(self, windows: Iterable[StreamWindow]) -> Generator[EpochBatch, None, None]:
        """Yield the epochs of the whole stream, some at a time, one batch at least; their UTC is not known yet. Who
        stops before the end closes it."""
        try:
            for window in windows:
                yield from self._grouper.batches(window)
            yield self._grouper.finish()
        finally:
            self._grouper.close()


def track_of(
    epochs: EpochBatch,
    run: int,
    counts: DecodeCounts | None = None,
    notes: tuple[str, ...] = (),
    *,
    latency_s: float = 0.0,
) -> Track:
    """Put all epochs of a run on their time line; ``counts`` are the decoder's, ``notes`` what there is to say of the
    positions."""
    timeline = fit_timeline(epochs.marks, latency_s=latency_s)
    fixes = epochs.fixes.with_utc(timeline.mark_utc_us)
    return Track(run, fixes, counts, epochs.skies.with_utc(fixes.utc_us), timeline, notes)
