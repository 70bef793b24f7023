"""Edge recordings as value change dumps (VCD, IEEE 1364), read with pyvcd."""

from __future__ import annotations

import io
from array import array
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

import numpy as np
from vcd.reader import Token, TokenKind, VarDecl, VCDParseError, tokenize

from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.probe.edge_csv import EDGES_MOST
from offtake.probe.edges import EdgeCapture

_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_SIGNALS_LISTED = 20
_SIGNALS_MOST = 10_000
_SCOPES_MOST = 100
_TOKEN_BYTES_MOST = 1 << 22
"""More than any comment or list of values has: the reader holds a whole token in memory."""
_TIME_MOST = 1 << 63
_SCALE_MOST = 1_000_000
"""The standard has 1, 10 and 100; writers are known that give others."""
_ASCII = bytes(byte if byte < 0x80 else ord("?") for byte in range(256))


def read_edge_vcd(path: Path, signal: str | None = None) -> EdgeCapture:
    """Read the one-bit signal called ``signal`` (its name, or its scopes and name with dots between), or the only one.

    Levels ``x`` and ``z`` count as the level before them: the line did not change as far as one can tell.

    :raises InputOutputError: the file cannot be read.
    :raises DamageError: it is no VCD; ``where`` has the line.
    :raises UsageError: no such signal, or several and no ``signal``.
    """
    try:
        with path.open("rb") as file:
            return _read(_tokens(file, path), path, signal)
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error


class _Source(io.RawIOBase):
    """The file's bytes for the reader, which takes ASCII only; ``since_token`` counts what it took for one token."""

    def __init__(self, file: BinaryIO, path: Path) -> None:
        super().__init__()
        self._file = file
        self._path = path
        self.since_token = 0

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override]
        data = self._file.read(len(buffer)).translate(_ASCII)
        self.since_token += len(data)
        if self.since_token > _TOKEN_BYTES_MOST:
            where = f"{self._path}: before byte {self._file.tell()}"
            raise DamageError(f"over {_TOKEN_BYTES_MOST:,} bytes in one piece", where=where, expected="VCD (IEEE 1364)")
        buffer[: len(data)] = data
        return len(data)


def _tokens(file: BinaryIO, path: Path) -> Iterator[Token]:
    source = _Source(file, path)
    line = 1
    try:
        for token in tokenize(source):
            source.since_token = 0
            line = token.span.end.line
            yield token
    except (VCDParseError, ValueError) as error:
        # The reader lets a number of thousands of digits end in a ValueError.
        line = error.loc.line if isinstance(error, VCDParseError) else line
        raise DamageError(
            "not a value change dump", where=f"{path}: line {line}", expected="VCD (IEEE 1364)"
        ) from error


def _read(tokens: Iterator[Token], path: Path, signal: str | None) -> EdgeCapture:
    unit_s, code = _header(tokens, path, signal)
    times = array("d")
    began: float | None = None
    now_s = 0.0
    level: bool | None = None
    before = False
    for token in tokens:
        if token.kind is TokenKind.CHANGE_TIME:
            later_s = _time(token, path) * unit_s
            if began is not None and later_s < now_s:
                where = f"{path}: line {token.span.start.line}"
                raise DamageError("time goes back", where=where, expected="rising times")
            began = later_s if began is None else began
            now_s = later_s
            continue
        new = _level(token, code)
        if new is not None:
            level, before = _take(new, times, level, before, now_s, f"{path}: line {token.span.start.line}")
    if level is None:
        raise DamageError("the signal has no level", where=str(path), expected="at least one change to 0 or 1")
    began_s = began or 0.0
    return EdgeCapture(np.frombuffer(times, dtype=np.float64).copy(), before, began_s, max(now_s, began_s), path.name)


def _time(token: Token, path: Path) -> int:
    time = token.time_change
    if time >= _TIME_MOST:
        where = f"{path}: line {token.span.start.line}"
        raise DamageError("a time of more than 63 bits", where=where, expected="VCD (IEEE 1364)")
    return time


def _level(token: Token, code: str) -> bool | None:
    """The level that the signal ``code`` has from here on; None where the token does not tell."""
    if token.kind is TokenKind.CHANGE_SCALAR and token.scalar_change.id_code == code:
        return {"0": False, "1": True}.get(token.scalar_change.value)
    # Some writers give a vector of one bit its values as vectors.
    if token.kind is TokenKind.CHANGE_VECTOR and token.vector_change.id_code == code:
        return {"0": False, "1": True}.get(str(token.vector_change.value))
    return None


def _take(
    new: bool, times: array[float], level: bool | None, before: bool, now_s: float, where: str
) -> tuple[bool, bool]:
    if level is None:
        return new, new
    if new != level:
        if len(times) >= EDGES_MOST:
            raise DamageError("too many edges", where=where, expected=f"at most {EDGES_MOST:,}; cut the recording")
        if times and times[-1] == now_s:
            # There and back at the same time is no edge.
            times.pop()
        else:
            times.append(now_s)
    return new, before


def _header(tokens: Iterator[Token], path: Path, signal: str | None) -> tuple[float, str]:
    unit_s: float | None = None
    scopes: list[str] = []
    found: dict[str, str] = {}
    for token in tokens:
        if token.kind is TokenKind.TIMESCALE:
            unit_s = _unit_s(token, path)
        elif token.kind is TokenKind.SCOPE:
            if len(scopes) >= _SCOPES_MOST:
                where = f"{path}: line {token.span.start.line}"
                raise DamageError("scopes too deep", where=where, expected=f"at most {_SCOPES_MOST}")
            scopes.append(token.scope.ident)
        elif token.kind is TokenKind.UPSCOPE:
            del scopes[-1:]
        elif token.kind is TokenKind.VAR and _is_bit(token.var) and len(found) < _SIGNALS_MOST:
            found[".".join([*scopes, token.var.ref_str])] = token.var.id_code
        elif token.kind is TokenKind.ENDDEFINITIONS:
            if unit_s is None:
                raise DamageError("no time scale", where=str(path), expected="$timescale, without which speed is open")
            return unit_s, _chosen(found, path, signal)
    raise DamageError("no end of definitions", where=str(path), expected="VCD (IEEE 1364)")


def _unit_s(token: Token, path: Path) -> float:
    scale = token.timescale
    unit_s = _UNITS_S.get(scale.unit.value)
    if unit_s is None or scale.magnitude > _SCALE_MOST:
        where = f"{path}: line {token.span.start.line}"
        raise DamageError("no time scale of this kind is known", where=where, expected="1, 10 or 100 of s to fs")
    return int(scale.magnitude) * unit_s


def _is_bit(variable: VarDecl) -> bool:
    return variable.size == 1 and variable.type_.value not in ("real", "string")


def _chosen(found: dict[str, str], path: Path, signal: str | None) -> str:
    listed = ", ".join(list(found)[:_SIGNALS_LISTED]) or "none"
    if signal is None:
        if len(set(found.values())) != 1:
            what = f"{len(found)} signals of one bit"
            raise UsageError(what, where=str(path), expected=f"--signal with one of: {listed}")
        return next(iter(found.values()))
    fits = {code for name, code in found.items() if signal in (name, name.rpartition(".")[2])}
    if len(fits) != 1:
        what = f"{'no signal' if not fits else 'several signals'} {signal!r}"
        raise UsageError(what, where=str(path), expected=f"one of: {listed}")
    return fits.pop()
