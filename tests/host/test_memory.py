"""What the process does with memory that NumPy frees."""

from __future__ import annotations

import os
import platform
import subprocess
import sys

import pytest

_PROGRAM = """
import resource
import numpy as np
from offtake.memory import keep_freed_memory
{call}
faults = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range(50):
    several = [np.ones(1 << 20, np.uint8) for _ in range(8)]
    del several
print(resource.getrusage(resource.RUSAGE_SELF).ru_minflt - faults, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def faults_and_peak(call: str) -> tuple[int, int]:
    program = _PROGRAM.format(call=call)
    # Dask leaves settings of the allocator in the environment, and these switch its own judgement off.
    plain = {name: value for name, value in os.environ.items() if not name.startswith("MALLOC_")}
    run = subprocess.run([sys.executable, "-c", program], env=plain, capture_output=True, text=True, check=True)
    faults, peak = run.stdout.split()
    return int(faults), int(peak)


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="it is this allocator's way")
def test_freed_arrays_are_not_paged_in_again() -> None:
    faults, peak = faults_and_peak("keep_freed_memory(); keep_freed_memory()")
    assert faults < 10_000
    without_faults, without_peak = faults_and_peak("")
    assert faults * 5 < without_faults
    assert peak < without_peak + 4 * 1024
