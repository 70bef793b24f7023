"""A dialect or a message of the user's own: a TOML file, and nothing generated or installed."""

from __future__ import annotations

import random
import struct
from pathlib import Path

import pytest
from binary_frames import decode, frame_b562, pvt, sentence
from mixed_streams import SOUNDER, any_message, depth, frame_sounder, noise
from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.message import Message
from offtake.dialects.registry import chosen_dialects
from offtake.dialects.tables import AnyDialect, Dialect
from offtake.errors import InputOutputError, SpecError, UsageError
from offtake.spec.dialect import load_dialect, parse_dialect

WIND = """
[dialect]
name = "wind"
title = "Invented wind sensor"
family = "sentence"
doc = "Invented: one sentence that the built-in dialect lacks, in the same framing."

[framing]
starts = "$"
separator = ","
check = "xor8"
check_mark = "*"
line_end = "\\r\\n"
max_length = 82

[address]
talker_letters = 2
name_letters = 3
proprietary = "P"

[sentences.PWND]
doc = "Invented: wind."
fields = [
    { at = 1, name = "wind_m_s", kind = "number", unit = "m/s", unit_letter = "M", min = 0, max = 100, doc = "Speed." },
]
"""


def test_the_depth_sounder_beside_a_receiver() -> None:
    stream = (
        sentence("GPVTG,,T,,M,1.0,N,1.852,K")
        + frame_sounder(1, 7, depth(1234, 2048 | 15, 2))
        + frame_b562(0x0107, pvt())
        + frame_sounder(1, 8, depth(65_535, 215, 0))
        + frame_sounder(2, 9, struct.pack(">H", 12_345))
    )
    decoder = StreamDecoder(chosen_dialects(extra=(SOUNDER,)))
    messages = decode(stream, decoder)
    assert [(message.dialect, message.name, message.key, message.state) for message in messages] == [
        ("nmea0183", "VTG", "GPVTG", "decoded"),
        ("depth_sounder", "depth", "01", "decoded"),
        ("b562", "position_velocity_time", "01 07", "decoded"),
        ("depth_sounder", "depth", "01", "decoded"),
        ("depth_sounder", "supply", "02", "decoded"),
    ]
    assert messages[1].values == {
        "depth_m": 12.34,
        "water_temperature_degc": -1.5,
        "bottom": "sand",
        "surface_echo": False,
        "echo_count": 2,
        "echoes": ({"range_m": 12.34, "strength": 200}, {"range_m": 12.44, "strength": 199}),
    }
    assert (messages[3].values["depth_m"], messages[3].values["water_temperature_degc"]) == (None, 21.5)
    assert messages[4].values == {"supply_v": 12.345}
    assert decoder.counts.dialects["depth_sounder"].names == {"depth": 2, "supply": 1}
    # Without the file its frames are noise, and the receiver's messages are still found.
    assert [message.name for message in decode(stream)] == ["VTG", "position_velocity_time"]


def test_the_sounders_messages_are_refused_with_reasons() -> None:
    def reason(frame: bytes) -> str:
        (message,) = decode(frame, StreamDecoder(chosen_dialects(extra=(SOUNDER,))))
        assert message.state == "invalid"
        return message.reason

    assert reason(frame_sounder(1, 0, depth(100, 601, 0))) == "water_temperature_degc: 60.1 is above 60"
    assert "3 of them said, the payload has room for 2" in reason(frame_sounder(1, 0, depth(100, 0, 3)[:-1]))
    assert reason(frame_sounder(2, 0, b"\x01")) == "a payload of 1 bytes, expected at least 2"


def test_a_length_that_counts_the_frame_cannot_be_less_than_the_frame() -> None:
    decoder = StreamDecoder(chosen_dialects(extra=(SOUNDER,)))
    assert decode(b"\xa5\x5a\x01\x00\x00\x07\x00\x00" + frame_sounder(2, 0, b"\x01\x02"), decoder)[0].offset == 8
    assert decoder.counts.noise_bytes == 8


def test_a_message_added_to_a_built_in_dialect_by_toml_alone(repo_root: Path, tmp_path: Path) -> None:
    text = (repo_root / "shared_spec/dialects/nmea0183.toml").read_text(encoding="utf-8")
    added = """
[sentences.DPT]
doc = "Depth of water."
fields = [
    { at = 1, name = "depth_m", kind = "number", unit = "m", min = 0, doc = "Depth below the transducer." },
    { at = 2, name = "transducer_offset_m", kind = "number", unit = "m", doc = "To be added." },
]
"""
    path = tmp_path / "nmea0183.toml"
    path.write_text(text + added, encoding="utf-8")
    own = load_dialect(path)
    stream = sentence("SDDPT,12.5,-0.4") + sentence("GPVTG,,T,,M,1.0,N,1.852,K")
    assert [message.state for message in decode(stream)] == ["unknown", "decoded"]
    messages = decode(stream, StreamDecoder(chosen_dialects(extra=(own,))))
    assert [message.state for message in messages] == ["decoded", "decoded"]
    assert messages[0].values == {"depth_m": 12.5, "transducer_offset_m": -0.4}


def test_own_sentences_in_the_framing_of_a_built_in_dialect() -> None:
    own = parse_dialect(WIND, "wind.toml")
    decoder = StreamDecoder(chosen_dialects(extra=(own,)))
    stream = sentence("PWND,3.5,M") + sentence("GPVTG,,T,,M,1.0,N,1.852,K") + sentence("PXYZ,1") + sentence("PWND,x,M")
    assert [(message.dialect, message.state) for message in decode(stream, decoder)] == [
        ("wind", "decoded"), ("nmea0183", "decoded"), ("nmea0183", "unknown"), ("wind", "invalid"),
    ]  # fmt: skip
    # Each message is counted once, in the dialect that took it.
    assert [(name, one.messages) for name, one in decoder.counts.dialects.items() if one.messages] == [
        ("nmea0183", 2), ("wind", 2),
    ]  # fmt: skip


def sharing(name: str, bits: int) -> str:
    """A dialect whose frames begin with A5 and a length of ``bits``: two of them may both fit the same bytes."""
    return f"""
[dialect]
name = "{name}"
title = "T"
family = "binary"
doc = "Invented."

[framing]
sync = "A5"
byte_order = "big"
header = [{{ name = "length", bits = {bits} }}]
key_bits = 4
payload_max = 600
check = "sum8"
check_from = "header"
check_order = "big"

[messages.one]
keys = [1]
doc = "Invented."
fields = [{{ type = "u8", name = "value", doc = "Value." }}]
"""


def test_portions_do_not_matter_to_dialects_that_share_their_first_byte() -> None:
    short, long = parse_dialect(sharing("short", 8), "short.toml"), parse_dialect(sharing("long", 16), "long.toml")
    taken: set[str] = set()
    for seed in range(300):
        rng = random.Random(seed)
        dialects = [short, long] if seed % 2 else [long, short]
        stream = bytearray()
        for _ in range(rng.randrange(1, 5)):
            payload = rng.randbytes(rng.randrange(1, 20))
            body = len(payload).to_bytes(rng.choice([1, 2]), "big") + payload
            stream += b"\xa5" + body + bytes([sum(body) & 0xFF])
            # Without payload: A5 00 00 is a whole frame of the one and the beginning of one of the other.
            stream += rng.choice([b"", b"\xa5\0\0", b"\xa5\0\0\0"])

        def run(portion: int, data: bytes = bytes(stream), dialects: list[AnyDialect] = dialects) -> list[Message]:
            decoder = StreamDecoder(dialects)
            messages = [one for at in range(0, len(data), portion) for one in decoder.feed(data[at : at + portion])]
            return messages + decoder.finish()

        expected = run(len(stream))
        taken |= {message.dialect for message in expected}
        assert run(1) == run(3) == expected
    assert taken == {"short", "long"}


def test_an_own_dialect_takes_the_place_of_the_built_in_one_of_its_name() -> None:
    own = parse_dialect(WIND.replace('"wind"', '"nmea0183"'), "wind.toml")
    assert isinstance(own, Dialect)
    messages = decode(
        sentence("PWND,3.5,M") + sentence("GPVTG,,T,,M,1.0,N,1.852,K"), StreamDecoder(chosen_dialects(extra=(own,)))
    )
    assert [message.state for message in messages] == ["decoded", "unknown"]


def test_only_the_dialects_asked_for() -> None:
    stream = frame_b562(0x0107, pvt()) + sentence("GPVTG,,T,,M,1.0,N,1.852,K")
    assert [message.dialect for message in decode(stream, StreamDecoder(chosen_dialects("b562")))] == ["b562"]
    assert [message.dialect for message in decode(stream, StreamDecoder(chosen_dialects(["nmea0183", "rtcm3"])))] == [
        "nmea0183"
    ]
    with pytest.raises(UsageError, match="unknown dialect 'morse'"):
        StreamDecoder(chosen_dialects(["nmea0183", "morse"]))
    with pytest.raises(UsageError, match="each with its own name"):
        StreamDecoder(chosen_dialects(extra=(SOUNDER, SOUNDER)))
    with pytest.raises(UsageError, match="at least one"):
        StreamDecoder(chosen_dialects([]))


def test_a_users_file_that_is_wrong_is_named(tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    with pytest.raises(InputOutputError, match=r"own\.toml"):
        load_dialect(path)
    path.write_text(WIND.replace('unit = "m/s"', 'unit = "mph"'), encoding="utf-8")
    with pytest.raises(SpecError, match=r"own\.toml line [0-9]+: sentences\.PWND\.fields\[0\]\.unit"):
        load_dialect(path)


HOSTILE = ["a = " + "[" * 5000, "a = " + "{b=" * 5000, "a = " + "9" * 5000, "[dialect", "\0", "a = 2024-99-99"]


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_file_is_no_toml(text: str, tmp_path: Path) -> None:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(SpecError, match=r"own\.toml(?: line [0-9]+(?:, column [0-9]+)?)?: not TOML"):
        load_dialect(path)


def test_the_demo_dialect_is_marked_invented(repo_root: Path) -> None:
    text = (repo_root / "demo_data/depth_sounder.toml").read_text(encoding="utf-8")
    assert text.startswith("# INVENTED.")
    assert "Invented" in SOUNDER.title


def test_noise_and_all_dialects_with_the_sounder() -> None:
    rng = random.Random(99)
    stream, expected = b"", []
    for _ in range(300):
        stream += noise(rng, 3)
        message = any_message(rng)
        expected.append(len(stream))
        stream += message
    found = [message.offset for message in decode(stream, StreamDecoder(chosen_dialects(extra=(SOUNDER,))))]
    assert [offset for offset in expected if offset not in found] == []
