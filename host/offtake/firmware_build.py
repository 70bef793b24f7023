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
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
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

BUILD_TIMEOUT_S = 300
UPLOAD_TIMEOUT_S = 120
_SHOWN_LINES = 12
_COLOUR = re.compile(r"\x1b\[[0-9;]*m")
_TELLING = re.compile(r"(?i)\b(error|warning|undefined reference|overflowed|too large)\b|avrdude")

_PROGRAMS = {"avr-gcc": "gcc-avr", "avr-objcopy": "binutils-avr", "avr-size": "binutils-avr"}
_LIBRARY = "avr-libc"
_UPLOADER = "avrdude"

_SCONS_SCRIPT = """\
import SCons.Script

SCons.Script.main()
"""


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
    :raises InputOutputError: no toolchain or avrdude, the build fails, or the board is silent.
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
) -> str:
    command = [sys.executable, "-m", "platformio", "run", "--project-dir", str(FIRMWARE_FOLDER)]
    command += ["--environment", environment, *arguments]
    with _one_at_a_time():
        core = BUILD_FOLDER / "platformio"
        _plant_build_tool(core)
        try:
            done = subprocess.run(
                command,
                env=_private_environment(core) | (settings or {}),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.STDOUT,
                text=True,
                errors="replace",
                timeout=timeout_s,
                check=False,
            )
        except subprocess.TimeoutExpired as error:
            raise InputOutputError(f"{failure}: no end after {timeout_s} s", where=environment) from error
    if done.returncode != 0:
        raise InputOutputError(f"{failure}\n{_last_lines(done.stdout)}", where=environment)
    return done.stdout


@contextmanager
def _one_at_a_time() -> Iterator[None]:
    """Two SCons runs in one build folder would write the same objects and the same signature file."""
    BUILD_FOLDER.mkdir(exist_ok=True)
    with (BUILD_FOLDER / "pio.lock").open("w") as lock:
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


def _last_lines(output: str) -> str:
    """The lines that say what is wrong, else the last ones; at most a dozen, without colours."""
    lines = [line.rstrip() for line in _COLOUR.sub("", output).splitlines() if line.strip()]
    telling = [line for line in lines if _TELLING.search(line)]
    return "\n".join((telling or lines)[-_SHOWN_LINES:])
