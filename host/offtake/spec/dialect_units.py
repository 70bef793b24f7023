"""A value's unit stands at the end of its name, so that nobody has to look it up."""

from __future__ import annotations

UNIT_ENDINGS = {
    "deg": "_deg",
    "m": "_m",
    "mm": "_mm",
    "kn": "_kn",
    "km/h": "_km_h",
    "m/s": "_m_s",
    "s": "_s",
    "ms": "_ms",
    "us": "_us",
    "ns": "_ns",
    "h": "_h",
    "min": "_min",
    "dB-Hz": "_db_hz",
    "degC": "_degc",
    "V": "_v",
}
