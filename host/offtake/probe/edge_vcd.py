"""Edge recordings as value change dumps (VCD, IEEE 1364), read with pyvcd."""

from __future__ import annotations

from array import array
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from vcd.reader import ScalarChange, Token, TokenKind, VarDecl, VCDParseError, tokenize

from offtake.errors import DamageError, InputOutputError, UsageError
from offtake.probe.edge_csv import EDGES_MOST
from offtake.probe.edges import EdgeCapture

_UNITS_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9, "ps": 1e-12, "fs": 1e-15}
_SIGNALS_LISTED = 20
_SIGNALS_MOST = 10_000


def read_edge_vcd(path: Path, signal: str | None = None) -> EdgeCapture:
    """Read the one-bit signal called ``signal`` (its name, or its scopes and name with dots between), or the only one.

    Levels ``x`` and ``z`` count as the level before them: the line did not change as far as one can tell.

    :raises InputOutputError: the file cannot be read.
    :raises DamageError: it is no VCD; ``where`` has the line.
    :raises UsageError: no such signal, or several and no ``signal``.
    """
    try:
        with path.open("rb") as file:
            return _read(tokenize(file), path, signal)
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    except VCDParseError as error:
        line = f": line {error.loc.line}" if hasattr(error, "loc") else ""
        raise DamageError("not a value change dump", where=f"{path}{line}", expected="VCD (IEEE 1364)") from error


def _read(tokens: Iterator[Token], path: Path, signal: str | None) -> EdgeCapture:
    unit_s, code = _header(tokens, path, signal)
    times = array("d")
    began: float | None = None
    now_s = 0.0
    level: bool | None = None
    before = False
    for token in tokens:
        if token.kind is TokenKind.CHANGE_TIME:
            later_s = token.time_change * unit_s
            if began is not None and later_s < now_s:
                where = f"{path}: line {token.span.start.line}"
                raise DamageError("time goes back", where=where, expected="rising times")
            began = later_s if began is None else began
            now_s = later_s
        elif token.kind is TokenKind.CHANGE_SCALAR:
            change = token.scalar_change
            level, before = _take(change, code, times, level, before, now_s, f"{path}: line {token.span.start.line}")
    if level is None:
        raise DamageError("the signal has no level", where=str(path), expected="at least one change to 0 or 1")
    began_s = began or 0.0
    return EdgeCapture(np.frombuffer(times, dtype=np.float64).copy(), before, began_s, max(now_s, began_s), path.name)


def _take(
    change: ScalarChange, code: str, times: array[float], level: bool | None, before: bool, now_s: float, where: str
) -> tuple[bool | None, bool]:
    if change.id_code != code or change.value not in ("0", "1"):
        return level, before
    new = change.value == "1"
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
    unit_s = 1.0
    scopes: list[str] = []
    found: dict[str, str] = {}
    for token in tokens:
        if token.kind is TokenKind.TIMESCALE:
            scale = token.timescale
            unit_s = int(scale.magnitude) * _UNITS_S[scale.unit.value]
        elif token.kind is TokenKind.SCOPE:
            scopes.append(token.scope.ident)
        elif token.kind is TokenKind.UPSCOPE:
            del scopes[-1:]
        elif token.kind is TokenKind.VAR and _is_bit(token.var) and len(found) < _SIGNALS_MOST:
            found[".".join([*scopes, token.var.ref_str])] = token.var.id_code
        elif token.kind is TokenKind.ENDDEFINITIONS:
            return unit_s, _chosen(found, path, signal)
    raise DamageError("no end of definitions", where=str(path), expected="VCD (IEEE 1364)")


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
