"""The firmware builds with PlatformIO and no registry, to the same bytes anywhere; failures are clear."""

from __future__ import annotations

import os
import shutil
import subprocess
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from offtake import firmware_build
from offtake.errors import InputOutputError, UsageError

ENVIRONMENT = "atmega328p_16mhz"
MAIN_C = """\
#include <avr/io.h>
#include "number.h"
const char *file = __FILE__;
int main(void)
{
    for (;;) { PORTB = (uint8_t)(PINB + NUMBER); if (PIND) { PORTC = (uint8_t)file[PIND & 7]; } }
}
"""


@pytest.fixture
def checkout(tmp_path: Path, repo_root: Path) -> Path:
    """A checkout with the real platform and a tiny program; its folder name has a space."""
    return make_checkout(tmp_path / "a folder", repo_root)


def make_checkout(folder: Path, repo_root: Path) -> Path:
    missing = firmware_build.toolchain_missing()
    if missing:
        pytest.skip(f"the AVR toolchain is missing: {missing}")
    shutil.copytree(repo_root / "firmware" / "platform", folder / "firmware" / "platform")
    shutil.copy(repo_root / "firmware" / "platformio.ini", folder / "firmware")
    for name in ("core", "generated", "port/avr"):
        (folder / "firmware" / name).mkdir(parents=True)
    (folder / "firmware/core/number.h").write_text("#define NUMBER 3\n")
    (folder / "firmware/port/avr/main.c").write_text(MAIN_C)
    return folder


@pytest.fixture
def use(monkeypatch: pytest.MonkeyPatch) -> Callable[[Path], None]:
    def point_at(folder: Path) -> None:
        monkeypatch.setattr(firmware_build, "FIRMWARE_FOLDER", folder / "firmware")
        monkeypatch.setattr(firmware_build, "BUILD_FOLDER", folder / ".build")

    return point_at


def test_same_bytes_elsewhere_and_home_untouched(checkout, tmp_path, repo_root, use, monkeypatch) -> None:
    home = tmp_path / "home"
    home.mkdir()
    monkeypatch.setenv("HOME", str(home))
    built = []
    for folder in (checkout, make_checkout(tmp_path / "elsewhere", repo_root)):
        use(folder)
        elf = firmware_build.build(ENVIRONMENT)
        built.append((elf.read_bytes(), firmware_build.hex_path(ENVIRONMENT).read_bytes()))
        assert firmware_build.map_path(ENVIRONMENT).is_file()
        assert [path.name for path in firmware_build.stack_usage_paths(ENVIRONMENT)] == ["main.su"]
        made = {path.name for path in folder.iterdir()}
        assert made == {"firmware", ".build"}
    assert built[0] == built[1]
    assert list(home.iterdir()) == []


@pytest.mark.parametrize("environment", firmware_build.ENVIRONMENTS)
def test_the_firmware_fits_its_budget_and_is_the_same_in_any_folder(
    environment: str, tmp_path: Path, repo_root: Path, use
) -> None:
    if firmware_build.toolchain_missing():
        pytest.skip("the AVR toolchain is missing")
    elf = firmware_build.build(environment)
    board = tomllib.loads((repo_root / "shared_spec/boards/atmega328p.toml").read_text())["board"]
    sizes = subprocess.run(["avr-size", str(elf)], capture_output=True, text=True, check=True).stdout
    text, data, zeroed = (int(number) for number in sizes.splitlines()[1].split()[:3])
    here = elf.read_bytes()
    shutil.copytree(repo_root / "firmware", tmp_path / "a copy" / "firmware")
    use(tmp_path / "a copy")
    assert firmware_build.build(environment).read_bytes() == here
    assert text + data <= board["flash_limit_bytes"]
    assert data + zeroed + board["stack_margin_bytes"] <= board["ram_bytes"]


def test_a_changed_header_is_seen(checkout, use) -> None:
    use(checkout)
    before = firmware_build.build(ENVIRONMENT).read_bytes()
    (checkout / "firmware/core/number.h").write_text("#define NUMBER 4\n")
    assert firmware_build.build(ENVIRONMENT).read_bytes() != before


def test_a_compiler_error_is_shown(checkout, use) -> None:
    use(checkout)
    (checkout / "firmware/core/bad.c").write_text("int narrow(long a);\nint narrow(long a) { return a; }\n")
    with pytest.raises(InputOutputError, match=r"core/bad\.c:2:\d+: error: conversion"):
        firmware_build.build(ENVIRONMENT)


def test_upload_hands_the_port_to_avrdude(checkout, use, tmp_path, monkeypatch) -> None:
    use(checkout)
    programs = tmp_path / "programs"
    programs.mkdir()
    fake = programs / "avrdude"
    fake.write_text('#!/bin/sh\nfor word; do echo "<$word>"; done\n')
    fake.chmod(0o755)
    monkeypatch.setenv("PATH", f"{programs}{os.pathsep}{os.environ['PATH']}")
    said = firmware_build.upload(ENVIRONMENT, "/dev/pts/77")
    words = [line[1:-1] for line in said.splitlines() if line.startswith("<")]
    hex_path = firmware_build.hex_path(ENVIRONMENT)
    usual = ["-p", "atmega328p", "-c", "arduino", "-b", "115200", "-D", "-P", "/dev/pts/77"]
    assert words == [*usual, "-U", f"flash:w:{hex_path}:i"]
    slower = firmware_build.upload(ENVIRONMENT, "/dev/pts/77", speed_bd=19_200)
    assert "<19200>" in slower


def test_a_vanished_port_is_a_clear_error(checkout, use) -> None:
    if shutil.which("avrdude") is None:
        pytest.skip("avrdude is not installed")
    use(checkout)
    with pytest.raises(InputOutputError, match=r"/dev/no-such-port failed\n.*cannot open port"):
        firmware_build.upload(ENVIRONMENT, "/dev/no-such-port")


def test_no_port_is_never_guessed(monkeypatch) -> None:
    monkeypatch.delenv("PLATFORMIO_UPLOAD_PORT", raising=False)
    with pytest.raises(UsageError, match="no serial port named"):
        firmware_build.upload(ENVIRONMENT)


def test_an_unknown_environment_names_the_known_ones() -> None:
    with pytest.raises(UsageError, match=r"'esp' .*atmega328p_16mhz or atmega328p_8mhz"):
        firmware_build.build("esp")


def test_without_a_toolchain_the_packages_are_named(monkeypatch, tmp_path) -> None:
    monkeypatch.delenv(firmware_build.NO_AVR_VARIABLE, raising=False)
    monkeypatch.setenv("PATH", str(tmp_path))
    assert firmware_build.toolchain_missing() == ["avr-libc", "binutils-avr", "gcc-avr"]
    with pytest.raises(InputOutputError, match="the Debian packages avr-libc binutils-avr gcc-avr"):
        firmware_build.build(ENVIRONMENT)


def test_no_avr_variable_forces_the_fallback(monkeypatch) -> None:
    monkeypatch.setenv(firmware_build.NO_AVR_VARIABLE, "1")
    assert "gcc-avr" in firmware_build.toolchain_missing()


def test_scripts_are_valid_shell_and_run_from_anywhere(repo_root: Path) -> None:
    for name in ("host/setup", "host/demo", "tests/run", ".ci/run"):
        path = repo_root / name
        assert os.access(path, os.X_OK), f"{name} is not executable"
        subprocess.run(["bash", "-n", str(path)], check=True)
    probe = f'source "{repo_root}/host/setup" nonsense'
    done = subprocess.run(["bash", "-c", probe], cwd="/", capture_output=True, text=True, check=False)
    assert done.returncode == 3
    assert "unknown purpose 'nonsense' (expected demo or tests)" in done.stderr


def test_a_checkout_that_cannot_be_written_to_is_an_error(tmp_path, monkeypatch) -> None:
    (tmp_path / "file").write_bytes(b"")
    monkeypatch.setattr(firmware_build, "BUILD_FOLDER", tmp_path / "file" / ".build")
    monkeypatch.setattr(firmware_build, "toolchain_missing", list)
    with pytest.raises(InputOutputError, match="cannot build there: Not a directory"):
        firmware_build.build(ENVIRONMENT)
