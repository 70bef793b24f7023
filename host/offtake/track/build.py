"""From a run's stream to its track."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from offtake.dialects.message import DecodeCounts
from offtake.dialects.registry import new_decoder
from offtake.dialects.stream import StreamChunk, TimedMessage, decode_stream
from offtake.dialects.tables import AnyDialect
from offtake.track.dating import date_epochs
from offtake.track.epochs import group_epochs
from offtake.track.fix import Track


def build_track(messages: Iterable[TimedMessage], run: int, counts: DecodeCounts | None = None) -> Track:
    """Merge the ``messages`` of run number ``run``, in stream order, to a track.

    ``counts`` are the decoder's, read after ``messages`` is exhausted.
    """
    fixes = date_epochs(list(group_epochs(messages, run)))
    return Track(run, fixes, counts or DecodeCounts())


def read_track(
    chunks: Iterable[StreamChunk], *, baud: int, run: int, extra_dialects: Sequence[AnyDialect] = ()
) -> Track:
    """Decode the receiver's stream of run number ``run``, sent at ``baud``, to a track.

    All built-in dialects are heard, and the ``extra_dialects``. Raises :class:`~offtake.errors.UsageError` for a speed
    that is not positive.
    """
    decoder = new_decoder(extra=extra_dialects)
    return build_track(decode_stream(chunks, decoder, baud), run, decoder.counts)
