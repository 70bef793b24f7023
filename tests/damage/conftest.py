"""Lets the tests of damage use the journal makers of tests/host and the card images of tests/bench."""

from __future__ import annotations

import sys
from pathlib import Path

TESTS = Path(__file__).resolve().parents[1]
for _room in ("host", "bench"):
    if str(TESTS / _room) not in sys.path:
        sys.path.insert(0, str(TESTS / _room))
