"""From a run's stream to its track."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from offtake.dialects.message import DecodeCounts
from offtake.dialects.registry import new_decoder
from offtake.dialects.stream import StreamChunk, TimedMessage, decode_stream
from offtake.dialects.tables import AnyDialect
from offtake.track.datum import DatumWatch
from offtake.track.epochs import group_epochs
from offtake.track.fix import Track
from offtake.track.timeline import fit_timeline


def build_track(
    messages: Iterable[TimedMessage], run: int, counts: DecodeCounts | None = None, *, latency_s: float = 0.0
) -> Track:
    """Merge the ``messages`` of run number ``run``, in stream order, to a track on its time line.

    ``counts`` are the decoder's, read after ``messages`` is exhausted; ``latency_s`` as in
    :func:`offtake.track.timeline.fit_timeline`.
    """
    datum = DatumWatch()
    epochs = list(group_epochs(datum.watch(messages), run))
    timeline = fit_timeline([epoch.mark for epoch in epochs], latency_s=latency_s)
    dated = list(zip(epochs, timeline.mark_utc, strict=True))
    fixes = tuple(replace(epoch.fix, utc=utc) for epoch, utc in dated)
    skies = tuple(replace(epoch.sky, utc=utc) for epoch, utc in dated if epoch.sky is not None)
    return Track(run, fixes, counts or DecodeCounts(), skies, timeline, datum.notes)


def read_track(
    chunks: Iterable[StreamChunk],
    *,
    baud: int,
    run: int,
    extra_dialects: Sequence[AnyDialect] = (),
    latency_s: float = 0.0,
) -> Track:
    """Decode the receiver's stream of run number ``run``, sent at ``baud``, to a track.

    All built-in dialects are heard, and the ``extra_dialects``. Raises :class:`~offtake.errors.UsageError` for a speed
    that is not positive.
    """
    decoder = new_decoder(extra=extra_dialects)
    return build_track(decode_stream(chunks, decoder, baud), run, decoder.counts, latency_s=latency_s)
