"""A PlatformIO platform over the toolchain that the system already has (avr-gcc and avrdude on PATH)."""

from platformio.platform.base import PlatformBase


class OfftakeavrPlatform(PlatformBase):
    """Declares no packages, so PlatformIO has nothing to fetch; builder/main.py does the work."""
