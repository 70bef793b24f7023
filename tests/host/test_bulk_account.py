"""The bulk decoder's counts against the streaming decoder's, where names are many, keys odd or bytes none."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Sequence

import pytest
from any_dialect_streams import Maker
from binary_frames import frame_b562, frame_rtcm, sentence
from mixed_streams import SOUNDER, noise
from offtake.dialects.bulk import BulkDecoder
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import UNKNOWN_NAMES_KEPT, DecodeCounts
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.tables import AnyDialect, HeaderField
from offtake.errors import UsageError

ALL = chosen_dialects(extra=(SOUNDER,))


def counted(
    stream: bytes, dialects: Sequence[AnyDialect] = ALL, portion: int = 500, breaks: Sequence[int] = ()
) -> DecodeCounts:
    """The counts, the same of both decoders."""
    bulk, streaming = BulkDecoder(dialects, counting=True), StreamDecoder(dialects)
    for at in range(0, len(stream), portion):
        bulk.window(stream[at : at + portion], [place for place in breaks if at <= place < at + portion])
    bulk.finish()
    for start, end in zip([0, *breaks], [*breaks, len(stream)], strict=True):
        streaming.lose()
        streaming.feed(stream[start:end])
    streaming.finish()
    assert bulk.counts == streaming.counts
    counts = bulk.counts
    assert counts.bytes_fed == len(stream) == counts.message_bytes + counts.line_end_bytes + counts.noise_bytes
    return counts


def test_of_many_names_the_first_are_kept() -> None:
    rng = random.Random(1)
    sentences = [sentence(f"P{rng.randrange(400):03d}{'X' * rng.randrange(3)},1") for _ in range(2000)]
    frames = [frame_b562(rng.randrange(0x2000, 0x2200), b"") for _ in range(1000)]
    mixed = [*sentences, *frames, *(sentence("GNHDT,1.0,T") for _ in range(20))]
    rng.shuffle(mixed)
    counts = counted(b"".join(mixed))
    assert (counts.unknown, counts.decoded) == (3000, 20)
    # Those kept, and one for all others.
    assert len(counts.unknown_names) == UNKNOWN_NAMES_KEPT + 1
    assert all(one.messages == sum(one.names.values()) for one in counts.dialects.values())


@pytest.mark.parametrize(
    ("stream", "names"),
    [
        (frame_rtcm(b"") + frame_rtcm(b"\x3e") + frame_rtcm(b"\x00\x10"), {"(no key)": 2, "1": 1}),
        (frame_b562(0x0A04, b"") + frame_b562(0xFFFF, b"\0"), {"0A 04": 1, "FF FF": 1}),
        (sentence("") + sentence("P") + sentence("GPXYZ") + sentence("G,") + sentence("GPABCDEFGHIJKLMNOPQRST,1"),
         {"": 1, "P": 1, "GPXYZ": 1, "G": 1, "GPABCDEFGHIJKLMN": 1}),
    ],
)  # fmt: skip
def test_unknown_messages_go_by_their_keys(stream: bytes, names: dict[str, int]) -> None:
    assert counted(stream).unknown_names == names


def test_keys_of_more_than_64_bits() -> None:
    header = (HeaderField("kind", 64), HeaderField("sub", 16), HeaderField("length", 16))
    framing = dataclasses.replace(SOUNDER.framing, header=header, key=("kind", "sub"))
    known = dataclasses.replace(SOUNDER.messages[1], keys=(2**79 + 5,))
    wide = dataclasses.replace(SOUNDER, framing=framing, messages=(known,))
    maker = Maker(random.Random(2), [wide])
    stream = b"".join(maker.frame(wide, key, b"\x01\x02") for key in (2**79 + 5, 2**79 + 5, 7, 2**70 + 2**16 + 3))
    counts = counted(stream, [wide])
    assert counts.decoded == 2
    assert sorted(counts.unknown_names.values()) == [1, 1]


@pytest.mark.parametrize("seed", range(20))
def test_noise_and_losses(seed: int) -> None:
    rng = random.Random(seed)
    parts = [rng.choice([noise(rng, 12), sentence("GNHDT,1.0,T"), frame_b562(0x0161, b"\0\0\0\0")]) for _ in range(60)]
    stream = b"".join(parts)
    breaks = sorted(rng.sample(range(1, len(stream)), rng.choice([0, 1, 8])))
    counts = counted(stream, portion=rng.choice([1, 37, 400, 10**6]), breaks=breaks)
    assert counts.broken + counts.bad_checksum + counts.without_checksum > 0


def test_counts_need_all_kinds() -> None:
    with pytest.raises(UsageError, match="some kinds"):
        BulkDecoder(ALL, [("b562", "satellites")], counting=True)
    with pytest.raises(UsageError, match="does not count"):
        _ = BulkDecoder(ALL).counts
