"""Builds the firmware, writes it to a board, reads it back, and asks the board what it runs now."""

from __future__ import annotations

from dataclasses import dataclass

from offtake.errors import InputOutputError, UsageError
from offtake.firmware_build import ENVIRONMENTS, ToolError, hex_path, source_version, upload
from offtake.flash.hexfile import read_hex
from offtake.flash.loader import USUAL_BAUDS, find_loader
from offtake.flash.ports import require_free_port
from offtake.flash.trouble import explained
from offtake.generated.records import SPEC_HASH, Board, DescriptionPacket
from offtake.link import open_desk


@dataclass(frozen=True)
class Identity:
    """What a board runs, or should: ``board`` is the variant's name (or its bare code), ``version`` is
    "major.minor.patch", ``spec_hash`` that of the spec it was built from.
    """

    board: str
    version: str
    spec_hash: int


@dataclass(frozen=True)
class FlashResult:
    """``hex_bytes`` were written and read back equal (0 where nothing was to be written) through a boot loader at
    ``loader_baud``; then the board answered at ``desk_baud`` and said what it ``runs``.
    """

    port: str
    hex_bytes: int
    loader_baud: int
    desk_baud: int
    wanted: Identity
    runs: Identity

    @property
    def differences(self) -> tuple[str, ...]:
        """The fields of ``runs`` that are not as wanted; empty when the board runs what it should."""
        names = ("board", "version", "spec_hash")
        return tuple(name for name in names if getattr(self.runs, name) != getattr(self.wanted, name))


def flash(port: str, board: str, *, speed_bd: int | None = None) -> FlashResult:
    """Writes this checkout's firmware for ``board`` to the board at ``port``.

    :param speed_bd: the boot loader's speed; None to try the usual ones.
    :raises UsageError: no such board, or no speed.
    :raises DamageError: the boot loader names another chip, or what was read back differs.
    :raises InputOutputError: no toolchain, the port is absent or in use or vanishes, no boot loader answers, or the
        firmware is written and does not answer.
    """
    wanted = _wanted(board)
    if speed_bd is not None and speed_bd <= 0:
        raise UsageError(f"a speed of {speed_bd} baud", expected="a positive number")
    require_free_port(port)
    baud = _loader_baud(port, speed_bd)
    try:
        upload(board, port, speed_bd=baud)
    except ToolError as error:
        raise explained(error, port) from error
    size = len(read_hex(hex_path(board)))
    try:
        return _ask(port, wanted, size, baud)
    except InputOutputError as error:
        raise InputOutputError(
            f"{size:,} bytes were written and read back equal, but the firmware does not answer ({error.what})",
            where=port,
            expected=f"a board that is a {board}: with another clock it is not understood (--board); TX and RX wired "
            "both ways; its reset wired to the adapter's DTR. `offtake flash --check` asks again",
        ) from error


def check(port: str, board: str) -> FlashResult:
    """Asks the board at ``port`` what it runs, and writes nothing.

    :raises UsageError: no such board.
    :raises InputOutputError: the port is absent or in use, or no firmware of ours answers.
    """
    wanted = _wanted(board)
    require_free_port(port)
    return _ask(port, wanted, 0, 0)


def _wanted(board: str) -> Identity:
    if board not in ENVIRONMENTS:
        raise UsageError(f"no board {board!r}", expected=" or ".join(ENVIRONMENTS))
    return Identity(board, "{}.{}.{}".format(*source_version()), SPEC_HASH)


def _loader_baud(port: str, asked: int | None) -> int:
    bauds = USUAL_BAUDS if asked is None else (asked, *(baud for baud in USUAL_BAUDS if baud != asked))
    found = find_loader(port, bauds)
    if found is None:
        tried = ", ".join(f"{baud:,}" for baud in bauds)
        raise InputOutputError(
            f"no boot loader answers (tried {tried} baud)",
            where=port,
            expected="a board with power and a serial boot loader, TX and RX crossed with the adapter's, its reset "
            "wired to the adapter's DTR through 100 nF; without that wire, press reset just as the command starts",
        )
    if asked is not None and found != asked:
        raise InputOutputError(
            f"the boot loader does not answer at {asked:,} baud, but at {found:,}",
            where=port,
            expected=f"--speed {found}, or none given",
        )
    return found


def _ask(port: str, wanted: Identity, hex_bytes: int, loader_baud: int) -> FlashResult:
    with open_desk(port) as desk:
        runs = _identity(desk.describe())
        return FlashResult(port, hex_bytes, loader_baud, desk.baud, wanted, runs)


def _identity(said: DescriptionPacket) -> Identity:
    known = said.board in set(Board)
    return Identity(
        Board(said.board).name.lower() if known else f"board {said.board}",
        f"{said.firmware_major}.{said.firmware_minor}.{said.firmware_patch}",
        said.spec_hash,
    )
