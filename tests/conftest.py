"""What every test shares: the checkout's folder, hypothesis profiles and the long campaigns' switch."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings

ROOT = Path(__file__).resolve().parents[1]
LONG = os.environ.get("OFFTAKE_LONG") == "1"

# derandomize: the same examples in every run, so a failure is never luck. No deadline: the computer may be busy.
settings.register_profile(
    "short",
    derandomize=True,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("long", settings.get_profile("short"), max_examples=5_000)
settings.load_profile("long" if LONG else "short")


@pytest.fixture(scope="session")
def repo_root() -> Path:
    """The checkout's folder."""
    return ROOT


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leaves tests marked ``long`` out unless ``tests/run --long`` asks for them."""
    if not LONG:
        for item in items:
            if item.get_closest_marker("long"):
                item.add_marker(pytest.mark.skip(reason="part of the long campaigns: tests/run --long"))
