"""The kernels on NumPy arrays."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
OFF = "OFFTAKE_NO_NATIVE"

_SKY_TYPES = {"system": np.int8, "used": np.int8, "elevation_deg": np.float64, "azimuth_deg": np.float64,
              "cn0_db_hz": np.float64}  # fmt: skip
_SKY_COLUMNS = ("epoch", "system", "satellite_id", "elevation_deg", "azimuth_deg", "cn0_db_hz", "used", "signal_id")
_C_TYPES = {"l": "int64_t *", "q": "int64_t *", "d": "double *", "b": "int8_t *"}
_POINTERS = {"codes": "int16_t *", "values": "void *", "lengths": "int64_t *", "absent": "uint8_t *"}
# A start, a check mark and two digits.
_SENTENCE_MIN = 4


@dataclass(frozen=True, eq=False)
class WalkedFrames:
    """Frames of intact blocks, in order, shape (m,): ``block`` (place of the block in the data), ``at`` (byte in the
    data), ``code``, ``tick_offset``, ``payload_at``, ``payload_size`` (bytes). ``odd``, by place of the block, marks
    those in which something does not fit; of these there are no frames."""

    block: Ints
    at: Ints
    code: NDArray[np.uint8]
    tick_offset: Ints
    payload_at: Ints
    payload_size: Ints
    odd: NDArray[np.bool_]


class Kernels:
    """What the compiled library does. It trusts its caller: places must lie inside the data."""

    def __init__(self, ffi: Any, library: Any) -> None:
        self._ffi = ffi
        self._library = library

    def crc32_many(self, data: bytes, starts: Ints, ends: Ints, seeds: NDArray[np.uint32]) -> NDArray[np.uint32]:
        """The CRC-32 of each stretch of ``data`` from ``starts`` to ``ends`` (exclusive), continued from ``seeds``, all
        of shape (n,)."""
        found = np.empty(starts.size, np.uint32)
        self._library.ot_crc32_many(
            self._bytes(data), self._of("int64_t[]", starts), self._of("int64_t[]", ends),
            self._of("uint32_t[]", seeds), self._of("uint32_t[]", found), starts.size,
        )  # fmt: skip
        return found

    def block_seals(self, data: bytes, blocks: int) -> NDArray[np.uint32]:
        """The CRC-32 of each of the first ``blocks`` blocks in ``data``, up to its check, shape (blocks,)."""
        found = np.empty(blocks, np.uint32)
        self._library.ot_block_seals(self._bytes(data), self._of("uint32_t[]", found), blocks)
        return found

    def pieces(self, data: bytes, starts: Ints, sizes: Ints) -> Bytes:
        """The stretches of ``data`` that begin at ``starts`` and have ``sizes`` bytes, one after the other."""
        joined = np.empty(int(sizes.sum()), np.uint8)
        columns = [self._of("int64_t[]", one) for one in (starts, sizes)]
        self._library.ot_pieces_join(self._bytes(data), *columns, starts.size, self._of("uint8_t[]", joined))
        return joined

    def count_rates(self, ticks: Ints, window: int, span: int, state: Ints) -> None:
        """Go on counting how many of ``ticks``, each below ``span``, come within ``window`` of the first of them, one
        stretch after the other. ``state`` (int64, shape (3,)) is changed: the tick with which the open stretch began
        (-1: none is), how many are in it, and the most in any."""
        self._library.ot_rates_count(
            self._of("int64_t[]", ticks), ticks.size, window, span, self._ffi.from_buffer("int64_t[]", state)
        )

    def frames(
        self,
        data: bytes,
        blocks: Ints,
        used: NDArray[np.int32],
        total: int,
        journal_id: int,
        checked: NDArray[np.bool_] | None,
    ) -> WalkedFrames:
        """The frames of intact ``blocks`` (places in ``data``, shape (n,)), ``used`` bytes of each, where ``data`` has
        ``total`` blocks. ``checked``, shape (total,), marks blocks whose frames need no checking again."""
        given = (self._bytes(data), self._of("int64_t[]", blocks), self._of("int32_t[]", used), blocks.size)
        room = self._library.ot_frames_count(*given)
        block, at, tick, payload_at, payload_size = (np.empty(room, np.int64) for _ in range(5))
        code, odd = np.empty(room, np.uint8), np.zeros(total, np.uint8)
        skip = self._ffi.NULL if checked is None else self._of("uint8_t[]", checked.view(np.uint8))
        columns = [self._of("int64_t[]", one) for one in (tick, payload_at, payload_size)]
        count = self._library.ot_frames_walk(
            *given, journal_id, skip, room, self._of("int64_t[]", block), self._of("int64_t[]", at),
            self._of("uint8_t[]", code), *columns, self._of("uint8_t[]", odd),
        )  # fmt: skip
        return WalkedFrames(
            block[:count], at[:count], code[:count], tick[:count], payload_at[:count], payload_size[:count],
            odd.view(np.bool_),
        )  # fmt: skip

    def sentences(self, data: NDArray[np.uint8], kinds: NDArray[np.uint8], body_max: int) -> tuple[Ints, Ints]:
        """Where whole sentences with a right check start in ``data``, and where their check marks are, shape (n,) each.

        ``kinds``, shape (256,), says of each character: 0, it may stand in a body (at most ``body_max`` of them); 1, it
        starts a sentence; 2, it is the check mark; 3, none of these.
        """
        room = data.size // _SENTENCE_MIN + 1
        starts, marks = np.empty(room, np.int64), np.empty(room, np.int64)
        count = self._library.ot_sentences_find(
            self._of("uint8_t[]", data), data.size, self._of("uint8_t[]", kinds), body_max, room,
            self._of("int64_t[]", starts), self._of("int64_t[]", marks),
        )  # fmt: skip
        # Copies, for the columns may be a hundred times as long.
        return starts[:count].copy(), marks[:count].copy()

    def text_names(self, data: Bytes, starts: Ints, marks: Ints, address: Mapping[str, int], known: Ints) -> Ints:
        """The place in ``known`` of each sentence's name as one number; its size where the name is not known, one more
        where it is a maker's own. ``address`` has ``separator``, ``proprietary``, ``talker_letters``, ``name_letters``.
        """
        found = np.empty(starts.size, np.int64)
        self._library.ot_text_names(
            self._of("uint8_t[]", data), self._of("int64_t[]", starts), self._of("int64_t[]", marks), starts.size,
            address["separator"], address["proprietary"], address["talker_letters"], address["name_letters"],
            self._of("int64_t[]", known), known.size, self._of("int64_t[]", found),
        )  # fmt: skip
        return found

    def text_rows(
        self,
        data: Bytes,
        starts: Ints,
        marks: Ints,
        sentence: Mapping[str, int],
        fields: Sequence[Mapping[str, Any]],
        groups: Ints,
    ) -> tuple[NDArray[np.bool_], list[int]]:
        """Decode sentences of one kind: which are sound, and how many values each field that is a list has in all.

        ``sentence`` and ``fields`` are the members of the structures in ``text.h`` by name; the arrays among them are
        written to, and so is ``groups``, the number of groups of each sentence.
        """
        form = self._ffi.new("ot_text_sentence *", dict(sentence))
        members = self._ffi.new("ot_text_field[]", len(fields))
        for member, field in zip(members, fields, strict=True):
            for name, value in field.items():
                kept = self._ffi.cast(_POINTERS[name], value.ctypes.data) if name in _POINTERS else value
                setattr(member, name, kept)
        sound = np.empty(starts.size, np.uint8)
        self._library.ot_text_rows(
            self._of("uint8_t[]", data), self._of("int64_t[]", starts), self._of("int64_t[]", marks), starts.size,
            form, members, len(fields), self._of("uint8_t[]", sound), self._of("int64_t[]", groups),
        )  # fmt: skip
        return sound.view(np.bool_), [int(member.filled) for member in members]

    def sky_merge(
        self,
        key: Mapping[str, int],
        told: Mapping[str, NDArray[Any]],
        told_keys: Ints,
        listed_keys: Ints,
        complete: NDArray[np.bool_],
        system_of: NDArray[np.int8],
        epochs: int,
    ) -> dict[str, NDArray[Any]] | None:
        """The skies of all epochs as columns by name (those of ``ot_sky_columns``); None where not all are plain.

        ``key`` says how keys are laid out, ``told`` has what is told with each of ``told_keys``.
        """
        room = told_keys.size + listed_keys.size
        dtypes = {name: np.dtype(_SKY_TYPES.get(name, np.int64)) for name in _SKY_COLUMNS}
        found = {name: np.empty(room, dtype) for name, dtype in dtypes.items()}
        scratch = np.empty(2 * (epochs + 1) + room, np.int64)
        count = self._library.ot_sky_merge(
            self._ffi.new("ot_sky_key *", dict(key)), self._sky_columns(told), self._of("int64_t[]", told_keys),
            told_keys.size, self._of("int64_t[]", listed_keys), listed_keys.size,
            self._of("uint8_t[]", complete.view(np.uint8)), self._of("int8_t[]", system_of), epochs,
            self._of("int64_t[]", scratch), self._sky_columns(found),
        )  # fmt: skip
        return None if count < 0 else {name: column[:count] for name, column in found.items()}

    def _sky_columns(self, columns: Mapping[str, NDArray[Any]]) -> Any:
        members = self._ffi.new("ot_sky_columns *")
        for name, column in columns.items():
            kind = _C_TYPES[column.dtype.char]
            setattr(members, name, self._ffi.cast(kind, column.ctypes.data))
        return members

    def _bytes(self, data: bytes) -> Any:
        return self._ffi.from_buffer("uint8_t[]", data)

    def _of(self, kind: str, column: NDArray[Any]) -> Any:
        return self._ffi.from_buffer(kind, np.ascontiguousarray(column))


def kernels() -> Kernels | None:
    """The compiled kernels; None where they are turned off, or could not be compiled."""
    return None if os.environ.get(OFF) else _loaded()


@cache
def _loaded() -> Kernels | None:
    from offtake.native.build import load_library

    found = load_library()
    if found is None or found[1].ot_kernels_self_test() != 0:
        return None
    return Kernels(*found)
