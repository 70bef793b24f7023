"""Intel HEX files, the form in which firmware and boot loaders are flashed."""

from __future__ import annotations

from io import StringIO
from pathlib import Path

from intelhex import IntelHex, IntelHexError  # type: ignore[import-untyped]

from offtake.errors import DamageError, InputOutputError

TEXT_MOST = 2**20
"""Characters: ten times what all of the chip's flash takes."""


def read_hex(path: str | Path) -> dict[int, int]:
    """The bytes of an Intel HEX file by their address.

    :raises InputOutputError: the file cannot be read.
    :raises DamageError: it is not an Intel HEX file, too long for one of this chip, or a record's checksum is wrong.
    """
    where = str(path)
    try:
        with Path(path).open(encoding="ascii") as file:
            text = file.read(TEXT_MOST + 1)
    except OSError as error:
        raise InputOutputError(f"cannot read the file: {error.strerror}", where=where) from error
    except UnicodeDecodeError as error:
        raise DamageError("not an Intel HEX file", where=where, expected="plain text") from error
    if len(text) > TEXT_MOST:
        raise DamageError(f"over {TEXT_MOST:,} characters", where=where, expected="an Intel HEX file for this chip")
    try:
        content = IntelHex(StringIO(text))
    except IntelHexError as error:
        raise DamageError(f"not an Intel HEX file: {error}", where=where) from error
    return {int(address): int(content[address]) for address in content.addresses()}
