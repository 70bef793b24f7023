"""Builds the tiny AVR programs of ``fixtures/`` with avr-gcc, each set of options once a session."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

FIXTURES = Path(__file__).with_name("fixtures")
FLAGS = ["-mmcu=atmega328p", "-Os", "-std=gnu99", "-Wall", "-Wextra", "-Werror"]

Builder = Callable[..., Path]


@pytest.fixture(scope="session")
def avr_program(tmp_path_factory: pytest.TempPathFactory) -> Builder:
    """``avr_program("name", OPTION=1, frequency_hz=..., start=...)`` compiles ``fixtures/name.c``.

    Returns the ELF file.
    """
    if shutil.which("avr-gcc") is None:
        pytest.skip("avr-gcc is not installed")
    folder = tmp_path_factory.mktemp("avr")

    def build(name: str, *, frequency_hz: int = 16_000_000, start: int = 0, **options: int) -> Path:
        chosen = [f"{k}{v}" for k, v in sorted(options.items())]
        tag = "-".join([name, str(frequency_hz), str(start), *chosen])
        target = folder / f"{tag}.elf"
        if not target.exists():
            defines = [f"-DF_CPU={frequency_hz}UL", *(f"-D{k}={v}" for k, v in options.items())]
            link = f"-Wl,--section-start=.text={start:#x}"
            source = str(FIXTURES / f"{name}.c")
            command = ["avr-gcc", *FLAGS, *defines, link, "-o", str(target), source]
            subprocess.run(command, check=True, capture_output=True, text=True)
        return target

    return build
