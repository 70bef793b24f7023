"""Lets the fuzz tests use the journal maker of tests/host."""

from __future__ import annotations

import sys
from pathlib import Path

_HOST = str(Path(__file__).resolve().parents[1] / "host")
if _HOST not in sys.path:
    sys.path.insert(0, _HOST)
