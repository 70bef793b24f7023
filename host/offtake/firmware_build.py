"""Builds the logger's firmware with PlatformIO and the system's avr-gcc, uploads it with its avrdude.

PlatformIO is given a core folder of its own, ``.build/platformio`` in the checkout, with the one package it
insists on (its build tool, SCons) put there from the Python environment. So no registry is asked, nothing is
sent out, and a PlatformIO that the user has in the home folder stays as it is.
"""

from __future__ import annotations

import fcntl
import json
import os
import re
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from platformio.dependencies import get_core_dependencies

from offtake.errors import InputOutputError, UsageError

ROOT = Path(__file__).resolve().parents[2]
"""The checkout this package is installed from."""
FIRMWARE_FOLDER = ROOT / "firmware"
BUILD_FOLDER = ROOT / ".build"
ENVIRONMENTS = ("atmega328p_16mhz", "atmega328p_8mhz")
NO_AVR_VARIABLE = "OFFTAKE_NO_AVR"
"""Set to 1 by host/setup when the AVR toolchain could not be installed."""

VERSION_HEADER = FIRMWARE_FOLDER / "core/ot_logger.h"
BUILD_TIMEOUT_S = 300
UPLOAD_TIMEOUT_S = 120
_SHOWN_LINES = 12
_POLL_S = 0.1
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_TELLING = re.compile(r"(?i)\b(error|warning|undefined reference|overflowed|too large)\b|avrdude")
_IDLE = re.compile(r"TIOCMGET|avrdude done")
"""What avrdude says on every run, or whenever a port has no modem lines (a pseudo-terminal has none)."""

_PROGRAMS = {"avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr", "avr-size": "binutils-avr"}
_LIBRARY = "avr-libc"
_UPLOADER = "avrdude"

_SCONS_SCRIPT = """\
import SCons.Script

SCons.Script.main()
"""


class ToolError(InputOutputError):
    """A build or an upload failed; ``output`` is all that the tools said, without colours."""

    def __init__(self, failure: str, output: str, where: str) -> None:
        self.output = _COLOUR.sub("", output)
        super().__init__(f"{failure}\n{telling_lines(self.output)}", where=where)


class PortGoneError(InputOutputError):
    """The port vanished while the firmware was being written."""


def toolchain_missing() -> list[str]:
    """Debian names of the packages that a build needs and this machine lacks; empty when a build can run.

    With the environment variable ``OFFTAKE_NO_AVR=1`` every package is reported, so that callers fall back to
    the core compiled for this computer.
    """
    if os.environ.get(NO_AVR_VARIABLE) == "1":
        return sorted({*_PROGRAMS.values(), _LIBRARY})
    missing = {package for program, package in _PROGRAMS.items() if shutil.which(program) is None}
    if "gcc-avr" in missing:
        return sorted({*missing, _LIBRARY})
    probe = subprocess.run(
        ["avr-gcc", "-mmcu=atmega328p", "-E", "-x", "c", "-o", os.devnull, "-"],
        input="#include <avr/io.h>\n",
        capture_output=True,
        text=True,
        check=False,
    )
    return sorted(missing if probe.returncode == 0 else {*missing, _LIBRARY})


def elf_path(environment: str) -> Path:
    """Where :func:`build` leaves the ELF file of an environment; it may not exist yet."""
    return _output_folder(environment) / "firmware.elf"


def hex_path(environment: str) -> Path:
    """Where :func:`build` leaves the Intel HEX file, the form in which the chip is flashed."""
    return _output_folder(environment) / "firmware.hex"


def map_path(environment: str) -> Path:
    """Where :func:`build` leaves the linker's map."""
    return _output_folder(environment) / "firmware.map"


def source_version() -> tuple[int, int, int]:
    """The version that the firmware's sources give themselves: major, minor, patch.

    :raises InputOutputError: the sources are not there, or say nothing of it.
    """
    try:
        text = VERSION_HEADER.read_text(encoding="utf-8")
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(VERSION_HEADER)) from error
    found = [re.search(rf"#define OT_FIRMWARE_{part} (\d+)u", text) for part in ("MAJOR", "MINOR", "PATCH")]
    if not all(found):
        raise InputOutputError("no firmware version in it", where=str(VERSION_HEADER))
    major, minor, patch = (int(match[1]) for match in found if match)
    return major, minor, patch


def stack_usage_paths(environment: str) -> list[Path]:
    """The compiler's stack usage files (``.su``) of a finished build, one for each source file, sorted."""
    return sorted(_output_folder(environment).rglob("*.su"))


def build(environment: str) -> Path:
    """Builds one environment of firmware/platformio.ini, as far as its sources changed.

    Several processes may call it at once: they take turns.

    :return: path of the ELF file; the ``.hex``, ``.map`` and ``.su`` files lie beside it.
    :raises UsageError: no such environment.
    :raises InputOutputError: no toolchain, or the build fails (the compiler's last lines are in the message).
    """
    _require_environment(environment)
    missing = toolchain_missing()
    if missing:
        raise InputOutputError(
            "the AVR toolchain is missing", expected="the Debian packages " + " ".join(missing)
        )
    _run_platformio(environment, (), "the firmware does not build", BUILD_TIMEOUT_S)
    return elf_path(environment)


def upload(environment: str, port: str | None = None, *, speed_bd: int | None = None) -> str:
    """Builds an environment and writes it to the board's flash through the board's serial bootloader.

    :param port: the serial port; without it the environment variable ``PLATFORMIO_UPLOAD_PORT`` must name one,
        so that no board is flashed by a guess.
    :param speed_bd: the bootloader's speed when it is not the usual one of that board.
    :return: what PlatformIO and avrdude said.
    :raises UsageError: no such environment, or no port named.
    :raises PortGoneError: the port vanished meanwhile.
    :raises ToolError: the build fails, or avrdude does; its ``output`` says how.
    :raises InputOutputError: no toolchain or no avrdude.
    """
    _require_environment(environment)
    chosen = port or os.environ.get("PLATFORMIO_UPLOAD_PORT", "")
    if not chosen:
        raise UsageError("no serial port named", expected="--upload-port or PLATFORMIO_UPLOAD_PORT")
    if shutil.which(_UPLOADER) is None:
        raise InputOutputError("avrdude is missing", expected=f"the Debian package {_UPLOADER}")
    build(environment)
    settings = {"OFFTAKE_UPLOAD_SPEED": str(speed_bd)} if speed_bd else {}
    return _run_platformio(
        environment,
        ("--target", "upload", "--upload-port", chosen),
        f"the upload through {chosen} failed",
        UPLOAD_TIMEOUT_S,
        settings,
        Path(chosen),
    )


def _output_folder(environment: str) -> Path:
    return BUILD_FOLDER / "pio" / "build" / environment


def _require_environment(environment: str) -> None:
    if environment not in ENVIRONMENTS:
        raise UsageError(f"no firmware environment {environment!r}", expected=" or ".join(ENVIRONMENTS))
    if not (FIRMWARE_FOLDER / "platformio.ini").is_file():
        raise InputOutputError(
            "the firmware's sources are not there",
            where=str(FIRMWARE_FOLDER),
            expected="the package installed from a checkout (pip install -e host)",
        )


def _run_platformio(
    environment: str,
    arguments: tuple[str, ...],
    failure: str,
    timeout_s: int,
    settings: dict[str, str] | None = None,
    port: Path | None = None,
) -> str:
    command = [sys.executable, "-m", "platformio", "run", "--project-dir", str(FIRMWARE_FOLDER)]
    command += ["--environment", environment, *arguments]
    with _one_at_a_time():
        core = BUILD_FOLDER / "platformio"
        _plant_build_tool(core)
        watched = port if port is not None and port.exists() else None
        code, output = _run(command, _private_environment(core) | (settings or {}), timeout_s, watched)
    if code == 0:
        return output
    if watched is not None and not watched.exists():
        raise PortGoneError(
            "the port vanished while the firmware was being written",
            where=str(port),
            expected="the adapter to stay plugged in; the boot loader is untouched: plug it in and repeat the command",
        )
    raise ToolError(failure if code is not None else f"{failure}: no end after {timeout_s} s", output, environment)


def _run(command: list[str], variables: dict[str, str], timeout_s: int, watched: Path | None) -> tuple[int | None, str]:
    """Runs the tools to their end: exit code (None: stopped after ``timeout_s``, or since the port is gone) and output.

    That the watched port vanishes has to be noticed here: avrdude goes on reading from it for ever. It is a
    grandchild of ours, so all of the tools are stopped, as a group, and a file takes their output, as a pipe would
    stay open for as long as one of them lives.
    """
    with tempfile.TemporaryFile() as said:
        tools = subprocess.Popen(
            command,
            env=variables,
            stdin=subprocess.DEVNULL,
            stdout=said,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        try:
            code = _wait(tools, timeout_s, watched)
        finally:
            with suppress(ProcessLookupError):
                os.killpg(tools.pid, signal.SIGKILL)
            tools.wait()
        said.seek(0)
        return code, said.read().decode(errors="replace")


def _wait(tools: subprocess.Popen[bytes], timeout_s: int, watched: Path | None) -> int | None:
    end = time.monotonic() + timeout_s
    while time.monotonic() < end and (watched is None or watched.exists()):
        with suppress(subprocess.TimeoutExpired):
            return tools.wait(_POLL_S)
    return None


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Two SCons runs in one build folder would write the same objects and the same signature file."""
    try:
        BUILD_FOLDER.mkdir(exist_ok=True)
        lock = (BUILD_FOLDER / "pio.lock").open("w")
    except OSError as error:
        expected = "a checkout that you may write to"
        raise InputOutputError(
            f"cannot build there: {error.strerror}", where=str(BUILD_FOLDER), expected=expected
        ) from error
    with lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        yield


def _private_environment(core: Path) -> dict[str, str]:
    """The caller's environment without its PlatformIO settings, which would point at other folders."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith("PLATFORMIO_")}
    return kept | {
        "PLATFORMIO_CORE_DIR": str(core),
        "PLATFORMIO_SETTING_ENABLE_TELEMETRY": "no",
        "PLATFORMIO_SETTING_DISABLE_UDEV_RULES_CHECK": "yes",
        "PLATFORMIO_DISABLE_UPGRADE_CHECK": "true",
        "PLATFORMIO_DISABLE_PROGRESSBAR": "true",
        "PLATFORMIO_NO_ANSI": "true",
    }


def _plant_build_tool(core: Path) -> None:
    """Puts a package into PlatformIO's folder that only starts the SCons installed beside PlatformIO.

    PlatformIO takes it for the one of its registry; the version is the lowest that it accepts.
    """
    version = get_core_dependencies()["tool-scons"].lstrip("~^=")
    manifest = {
        "name": "tool-scons",
        "version": version,
        "description": "Starts the SCons of the Python environment",
        "keywords": ["build"],
    }
    owner = {
        "type": "tool",
        "name": "tool-scons",
        "version": version,
        "spec": {"owner": "platformio", "id": None, "name": "tool-scons", "requirements": None, "uri": None},
    }
    package = core / "packages" / "tool-scons"
    package.mkdir(parents=True, exist_ok=True)
    for name, text in (
        ("package.json", json.dumps(manifest, indent=1)),
        (".piopm", json.dumps(owner)),
        ("scons.py", _SCONS_SCRIPT),
    ):
        path = package / name
        if not path.is_file() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")


def telling_lines(output: str, at_most: int = _SHOWN_LINES) -> str:
    """The lines that say what is wrong, each once, else the last ones."""
    lines = [line.rstrip() for line in output.splitlines() if line.strip() and not _IDLE.search(line)]
    telling = [line for line in lines if _TELLING.search(line)]
    return "\n".join(list(dict.fromkeys(telling or lines))[-at_most:])
