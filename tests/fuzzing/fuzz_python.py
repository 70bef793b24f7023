"""The Python fuzz targets, and the process in which atheris runs one of them.

A target takes the bytes of one input. It may meet errors below ``OfftakeError`` and nothing else; what must hold
besides is asserted.
"""

from __future__ import annotations

import struct
import sys
import zlib
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import atheris  # type: ignore[import-untyped]
import numpy as np

with atheris.instrument_imports(include=["offtake"]):
    from offtake.card import open_journal
    from offtake.dialects.checks import CHECKS
    from offtake.dialects.decoder import StreamDecoder
    from offtake.dialects.registry import chosen_dialects
    from offtake.dialects.stream import StreamChunk, decode_stream
    from offtake.errors import DamageError, OfftakeError
    from offtake.generated.records import (
        BLOCK_HEADER_SIZE,
        BLOCK_MAGIC,
        BLOCK_SIZE,
        BLOCK_SPACE,
        Status,
    )
    from offtake.hostcore import codec as core
    from offtake.jobs.measured import measured_batches, measured_notes
    from offtake.journal import codec
    from offtake.journal.bulk.stream import StreamWindow, chunks_of_windows, stream_windows
    from offtake.journal.reader import Journal
    from offtake.journal.salvage import salvage
    from offtake.journal.source import BytesSource
    from offtake.journal.stream import salvaged_windows
    from offtake.journal.verify import verify
    from offtake.link.cobs import cobs_decode, cobs_encode
    from offtake.link.packets import PacketError, PacketStream, decode_packet, encode_packet, packet_check
    from offtake.spec.dialect import parse_dialect
    from offtake.spec.load import load_spec
    from offtake.track.build import EpochReader, track_of
    from offtake.track.bulk.batch import EpochBatch
    from offtake.track.epochs import group_epochs
    from offtake.track.summary import summarize

import fuzz_build

Target = Callable[[bytes], None]

RIGHT_CHECKS = 1
RIGHT_FRAMES = 2
JOURNAL_BYTES_MAX = 16 * BLOCK_SIZE
CHECK_AT = BLOCK_SIZE - 4


def _sealed(data: bytes, flags: int) -> bytes:
    """The journal with its frames' and blocks' checks made right, which no fuzzer can guess, as the flags say."""
    out = bytearray(data)
    for start in range(0, len(out) - BLOCK_SIZE + 1, BLOCK_SIZE):
        block = out[start : start + BLOCK_SIZE]
        if flags & RIGHT_FRAMES and block[0] == BLOCK_MAGIC:
            _seal_frames(block)
        if flags & RIGHT_CHECKS:
            block[CHECK_AT:] = struct.pack("<I", zlib.crc32(block[:CHECK_AT]))
        out[start : start + BLOCK_SIZE] = block
    return bytes(out)


def _seal_frames(block: bytearray) -> None:
    header = codec.read_block_header(bytes(block))
    seed = codec.frame_seed(header.journal_id, header.block_number)
    at, end = BLOCK_HEADER_SIZE, BLOCK_HEADER_SIZE + min(header.used_bytes, BLOCK_SPACE)
    while at < end:
        status, _ = codec.parse_frame(bytes(block), at, end, seed)
        if status not in (Status.OK, Status.BAD_FRAME_CHECK):
            return
        length = int.from_bytes(block[at : at + 2], "little") & codec.FRAME_LENGTH_MASK
        tick = next(i for i in range(1, 6) if not block[at + 1 + i] & 0x80)
        stop = at + 2 + tick + length
        prefix = struct.pack("<II", header.journal_id, header.block_number)
        block[stop : stop + 4] = struct.pack("<I", zlib.crc32(prefix + block[at:stop]))
        at = stop + 4


def fuzz_journal(data: bytes) -> None:
    """Salvage, verify and the reader on a journal of any bytes. Input: flags, then the journal."""
    content = _sealed(data[1 : 1 + JOURNAL_BYTES_MAX], data[0] if data else 0)
    found = salvage(BytesSource(content))
    account = found.account
    assert account.size == len(content)
    assert account.recovered + account.skipped_bytes == len(content), "the account does not add up"
    assert account.extents_left_out or sum(one.length for one in account.extents) == account.skipped_bytes
    last = (0, 0, 0)
    for frame in found.frames():
        place = (frame.block_number, frame.offset % BLOCK_SIZE, frame.offset)
        assert place > last, "frames out of order"
        last = place
        seed = codec.frame_seed(frame.journal_id, frame.block_number)
        status, _ = codec.parse_frame(content, frame.offset, frame.offset + frame.size, seed)
        assert status is Status.OK, "a frame whose check fails"
        frame.record()
    for info in found.runs():
        for chunk in chunks_of_windows(salvaged_windows(found, info.run)):
            assert chunk.data
        rows = sum(len(series.tick_us) for series in measured_batches(found, info.run))
        assert rows <= info.frames
        measured_notes(found, info.run)
    report = verify(BytesSource(content))
    try:
        journal = Journal(BytesSource(content))
    except DamageError:
        assert not report.clean
        return
    intact = {frame.offset for frame in journal.frames()}
    assert intact <= {frame.offset for frame in found.frames()}, "salvage finds less than the reader"
    for info in journal.runs():
        for chunk in chunks_of_windows(stream_windows(journal.frame_tables(info.run))):
            assert chunk.data


def fuzz_packets(data: bytes) -> None:
    """The link's decoders. Input: flags and size of portions, then bytes as they come over the line."""
    flags, portion, line = (data[0], 1 + data[1], data[2:]) if len(data) >= 2 else (0, 1, b"")
    if flags & RIGHT_CHECKS:
        line = b"\0".join(
            cobs_encode(body + struct.pack("<H", packet_check(body)))
            for body in (line[at : at + 40] for at in range(0, len(line), 40))
        )
    assert cobs_decode(cobs_encode(line)) == line or not line
    stream = PacketStream()
    pieces = [packet for at in range(0, len(line), portion) for packet in stream.feed(line[at : at + portion])]
    pieces += stream.feed(b"\0")
    count = 0
    for coded in line.split(b"\0"):
        try:
            packet = decode_packet(coded)
        except PacketError:
            continue
        if len(coded) < 500:
            assert pieces[count] == packet, "portions change what is found"
            count += 1
        assert decode_packet(encode_packet(packet.record, packet.sequence)[1:-1]) == packet


def fuzz_dialects(data: bytes) -> None:
    """The receiver's stream, text and binary, to fixes. Input: flags, size of portions, then the stream."""
    flags, portion, line = (data[0], 1 + data[1], data[2:]) if len(data) >= 2 else (0, 1, b"")
    if flags & RIGHT_CHECKS:
        line = b"\r\n".join(_right_sum(one) for one in line.split(b"\n"))
    if flags & RIGHT_FRAMES:
        line = _right_frames(line)
    whole = StreamDecoder(chosen_dialects())
    expected = whole.feed(line) + whole.finish()
    decoder = StreamDecoder(chosen_dialects())
    chunks = [
        StreamChunk(at * 200, line[at : at + portion], bool(flags & 4) and at % 3 == 2)
        for at in range(0, len(line), portion)
    ]
    timed = list(decode_stream(chunks, decoder, 57_600))
    if not flags & 4:
        assert [one.message for one in timed] == expected, "portions change what is decoded"
    counts = decoder.counts
    assert counts.bytes_fed == len(line)
    assert counts.message_bytes + counts.line_end_bytes + counts.noise_bytes == len(line), "bytes not accounted for"
    reader = EpochReader(baud=57_600, run=1)
    epochs = EpochBatch.concat(list(reader.batches(map(_window, chunks, range(0, len(line), portion)))))
    track = track_of(epochs, 1, reader.counts, reader.notes)
    assert track.counts == counts, "the bulk engine counts otherwise"
    one_by_one = [epoch.fix for epoch in group_epochs(timed, 1)]
    assert [replace(fix, utc=None) for fix in track.fixes] == one_by_one, "the bulk engine finds other epochs"
    summarize([track])


def _window(chunk: StreamChunk, at: int) -> StreamWindow:
    lost = np.array([chunk.after_loss])
    return StreamWindow(at, chunk.data, np.array([at]), np.array([chunk.tick_us]), lost)


def _right_sum(line: bytes) -> bytes:
    body, star, _ = line.rstrip(b"\r").partition(b"*")
    if not star or body[:1] != b"$":
        return line
    total = 0
    for byte in body[1:]:
        total ^= byte
    return body + b"*%02X" % total


def _right_frames(line: bytes) -> bytes:
    """Whole binary frames with their checks made right; each payload is left as it is."""
    out, at = bytearray(line), 0
    while at < len(out):
        end = at + 1
        if out[at : at + 2] == b"\xb5\x62" and len(out) - at >= 8:
            end = at + 8 + int.from_bytes(out[at + 4 : at + 6], "little")
            if end <= len(out):
                out[end - 2 : end] = CHECKS["fletcher8"].compute(bytes(out[at + 2 : end - 2])).to_bytes(2, "big")
        elif out[at] == 0xD3 and len(out) - at >= 6 and out[at + 1] <= 3:
            end = at + 6 + int.from_bytes(out[at + 1 : at + 3], "big")
            if end <= len(out):
                out[end - 3 : end] = CHECKS["crc24q"].compute(bytes(out[at : end - 3])).to_bytes(3, "big")
        at = end if end <= len(out) else at + 1
    return bytes(out)


@cache
def _card_file(index: int) -> Path:
    image, _ = fuzz_build.base_card(index)
    path = Path(_SCRATCH.name) / f"card{index}.img"
    with path.open("wb") as file:
        file.truncate(len(image))
        for at in range(0, len(image), BLOCK_SIZE):
            if any(image[at : at + BLOCK_SIZE]):
                file.seek(at)
                file.write(image[at : at + BLOCK_SIZE])
    return path


def _changes(data: bytes, index: int, size: int) -> list[tuple[int, bytes]]:
    """Byte offset and bytes of each change; the form is that of c/fuzz_fat.c."""
    sectors = [at for at, _ in fuzz_build.base_sectors(index)]
    found, at = [], 0
    while len(data) - at >= 4:
        if data[at] == 0xFF:
            if len(data) - at < 8:
                break
            sector = int.from_bytes(data[at + 1 : at + 5], "little")
            at += 5
        else:
            sector = sectors[data[at] % len(sectors)]
            at += 1
        offset = int.from_bytes(data[at : at + 2], "little") % BLOCK_SIZE
        count = min(data[at + 2], BLOCK_SIZE - offset)
        at += 3
        piece = data[at : at + count]
        at += len(piece)
        if (sector + 1) * BLOCK_SIZE <= size:
            found.append((sector * BLOCK_SIZE + offset, piece))
    return found


def fuzz_card(data: bytes) -> None:
    """Finding and reading the journal on a hostile card image. Input: as for the C target ``fat``."""
    index = (data[0] if data else 0) % len(fuzz_build.BASES)
    image, _ = fuzz_build.base_card(index)
    path = _card_file(index)
    changes = _changes(data[1:], index, len(image))
    with path.open("r+b", buffering=0) as file:
        for at, piece in changes:
            file.seek(at)
            file.write(piece)
    try:
        with open_journal(path) as journal:
            assert journal.size > 0
            for offset in (0, journal.size // 2, max(journal.size - 700, 0)):
                assert len(journal.read(offset, 700)) <= 700
    except OfftakeError:
        pass
    finally:
        with path.open("r+b", buffering=0) as file:
            for at, piece in changes:
                file.seek(at)
                file.write(image[at : at + len(piece)])


SPEC_FILES = (
    "block.toml", "link.toml", "messages.toml", "boards/atmega328p.toml", "dialects/nmea0183.toml",
    "dialects/b562.toml", "dialects/rtcm3.toml",
)  # fmt: skip


@cache
def _spec_folder() -> Path:
    folder = Path(_SCRATCH.name) / "shared_spec"
    for name in SPEC_FILES:
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes((fuzz_build.ROOT / "shared_spec" / name).read_bytes())
    return folder


def fuzz_spec(data: bytes) -> None:
    """The loaders of shared_spec. Input: which file, from where on and how much of it is replaced, and by what."""
    if len(data) < 4:
        return
    name = SPEC_FILES[data[0] % len(SPEC_FILES)]
    path = _spec_folder() / name
    before = path.read_bytes()
    at = int.from_bytes(data[1:3], "little") % (len(before) + 1)
    content = before[:at] + data[4:] + before[at + data[3] :]
    try:
        if name.startswith("dialects"):
            parse_dialect(content.decode("utf-8", "replace"), name)
        else:
            path.write_bytes(content)
            load_spec(path.parents[1] if "/" in name else path.parent)
    except OfftakeError:
        pass
    finally:
        path.write_bytes(before)


def same_frame(data: bytes) -> None:
    """C and Python on one frame. Input: as for the C target ``frame``."""
    if len(data) < 9 or len(data) > 609:
        return
    journal_id, number = struct.unpack_from("<II", data, 1)
    body = data[9:]
    if data[0] & 1:
        body = _frame_sealed(body, journal_id, number)
    status, seen = core.parse_frame(body, journal_id, number)
    expected, parsed = codec.parse_frame(body, 0, len(body), codec.frame_seed(journal_id, number))
    assert status == expected, f"C says {Status(status).name}, Python {expected.name}"
    if expected is Status.OK:
        assert (seen.code, seen.tick_offset, seen.size) == (parsed.code, parsed.tick_offset, parsed.end)
        payload = body[seen.payload_at : seen.payload_at + seen.length]
        c_status = core.decode(core.MESSAGES, seen.code, payload)[0]
        python_status = codec.decode_payload(seen.code, payload)[0]
        assert c_status == python_status, f"C says {Status(c_status).name}, Python {python_status.name}"


def _frame_sealed(body: bytes, journal_id: int, number: int) -> bytes:
    status, seen = core.parse_frame(body, journal_id, number)
    if status != Status.BAD_FRAME_CHECK:
        return body
    stop = seen.size - 4
    check = zlib.crc32(struct.pack("<II", journal_id, number) + body[:stop])
    return body[:stop] + struct.pack("<I", check) + body[seen.size :]


def same_block(data: bytes) -> None:
    """C and Python on one block. Input: as for the C target ``block``."""
    if not 1 <= len(data) <= 601:
        return
    body = data[1:]
    if data[0] & 1 and len(body) == BLOCK_SIZE:
        body = body[:CHECK_AT] + struct.pack("<I", zlib.crc32(body[:CHECK_AT]))
    status, seen = core.check_block(body)
    expected = codec.block_status(body)
    assert status == expected, f"C says {Status(status).name}, Python {expected.name}"
    if expected is Status.OK:
        header = codec.read_block_header(body)
        assert (seen.used_bytes, seen.journal_id, seen.block_number, seen.run_number, seen.open_tick) == (
            header.used_bytes,
            header.journal_id,
            header.block_number,
            header.run_number,
            header.open_tick,
        )


@atheris.instrument_func  # type: ignore[untyped-decorator]
def planted(data: bytes) -> None:
    """A mistake made on purpose, to show that the fuzzer finds one: a length is believed."""
    if len(data) > 2 and data[1] >> 1 == 5:
        size = (data[0] | data[1] << 8) & codec.FRAME_LENGTH_MASK
        assert size <= 8 or data[2 + size] >= 0


TARGETS: dict[str, Target] = {
    "py_journal": fuzz_journal,
    "py_packets": fuzz_packets,
    "py_dialects": fuzz_dialects,
    "py_card": fuzz_card,
    "py_spec": fuzz_spec,
    "same_frame": same_frame,
    "same_block": same_block,
    "planted": planted,
}

_SCRATCH = TemporaryDirectory(prefix="offtake-fuzz-")


def main() -> None:
    """``fuzz_python.py TARGET`` and libFuzzer's own options and folders."""
    target = TARGETS[sys.argv.pop(1)]

    def run(data: bytes) -> None:
        target(data)

    atheris.Setup(sys.argv, run)
    atheris.Fuzz()


if __name__ == "__main__":
    main()
