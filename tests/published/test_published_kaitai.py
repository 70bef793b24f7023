"""The generated Kaitai Struct description, compiled by its own compiler, reads journals as this package does.

Source: Kaitai Struct compiler and runtime for JavaScript (npm kaitai-struct-compiler, kaitai-struct), and the runtime
for Python (PyPI kaitaistruct); their versions are pinned in tests/golden/package.json and host/constraints.txt.
"""

from __future__ import annotations

import json
import os
import random
import struct
import sys
import tempfile
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from kit_definitions import kit_copy
from offtake.codegen import kaitai
from offtake.codegen.description import describe
from offtake.generated.records import Description, Status
from offtake.journal.codec import encode_block, encode_frame
from offtake.journal.description import DescribedField, DescribedMessage, parse_description
from offtake.journal.scan import Kind, classify
from offtake.spec.load import load_spec
from offtake.spec.model import WIRE_SIZES, Field, Record, Spec

TESTS = Path(__file__).resolve().parents[1]
GOLDEN = TESTS / "golden"
LONG = os.environ.get("OFFTAKE_LONG") == "1"
sys.path[:0] = [str(GOLDEN), str(TESTS / "cross")]

from golden_decode import plain  # noqa: E402
from golden_kaitai import (  # noqa: E402
    ONLY_COMPILED,
    RUN_HERE,
    Plain,
    Wanted,
    compile_description,
    read_in_javascript,
    read_in_python,
)
from whole_spec_checks import generated_python, random_record  # noqa: E402
from whole_specs import DrawnSpec, whole_specs  # noqa: E402

JOURNALS = sorted(GOLDEN.glob("release_*/*.jnl"))
JOURNAL_ID = 0x601D0001

Read = Callable[[Path, Spec, Wanted], list[Plain]]
each_language = pytest.mark.parametrize("read", [read_in_javascript, read_in_python])

OF_ALL_KINDS = """
[messages.wide]
code = 100
doc = "Every kind of field: 'quotes', \\"more\\", colons: and # signs."
fields = [
    { name = "plain_u8", type = "u8", min = 1, doc = "A number." },
    { name = "cents", type = "i16", scale = 0.01, unit = "EUR", max = 300, doc = "Hundredths." },
    { name = "fives", type = "u32", scale = 0.0005, unit = "°", doc = "A mantissa of its own." },
    { name = "thousands", type = "i32", scale = 25000, doc = "A large scale." },
    { name = "fixed", type = "i32", fraction_bits = 31, doc = "Fixed-point." },
    { name = "cents_raw", type = "u16", doc = "A name that another field's raw number would like." },
    { name = "row", type = "i16", count = 3, doc = "An array." },
    { name = "scaled_row", type = "u16", count = 4, fraction_bits = 8, unit = "%", doc = "A scaled array." },
    { name = "key", type = "bytes", size = 5, doc = "Bytes." },
    { name = "place", type = "text", size = 9, doc = "Text." },
    { name = "mood", type = "u8", enum = "mood", doc = "A choice." },
    { name = "signs", type = "u16", flags = "signs", doc = "Flags." },
    { name = "later", type = "u32", scale = 0.1, doc = "Appended." },
    { name = "later_row", type = "i32", count = 2, doc = "Appended after that." },
    { name = "last", type = "u8", doc = "Appended at the end." },
]

[messages.note]
code = 101
doc = "Text to the end."
fields = [{ name = "words", type = "text", doc = "The words." }]

[messages.blob]
code = 127
doc = "Bytes to the end, after a number."
fields = [{ name = "kind", type = "u8", doc = "Which." }, { name = "data", type = "bytes", doc = "The bytes." }]

[messages.nothing]
code = 64
doc = "Only its tick matters."
fields = []

[enums.mood]
doc = "On and off, which YAML takes for something else."
off = { value = 0, doc = "Off." }
on = { value = 1, doc = "On." }
null = { value = 2, doc = "Nothing." }

[flag_sets.signs]
doc = "A wide set."
first = { bit = 0, doc = "The first." }
ninth = { bit = 8, doc = "In the second byte." }
last = { bit = 15, doc = "The last." }
"""
_APPENDED = ("later", "later_row", "last")


@pytest.fixture(scope="module")
def spec(repo_root: Path) -> Spec:
    return load_spec(repo_root / "shared_spec")


@pytest.fixture(scope="module")
def compiled(repo_root: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kaitai")
    compile_description(repo_root / "shared_spec" / "offtake_journal.ksy", folder, (*RUN_HERE, *ONLY_COMPILED))
    return folder


def intact(data: bytes) -> list[int]:
    """Positions of the journal's own intact blocks."""
    journal_id = struct.unpack_from("<I", data, 10)[0]
    seen = [classify(at // 512, data[at : at + 512], journal_id) for at in range(512, len(data) - 511, 512)]
    return [one.position for one in seen if one.kind is Kind.INTACT]


@each_language
def test_golden_journals_are_read_equally(read: Read, compiled: Path, spec: Spec) -> None:
    assert len(JOURNALS) >= 3
    wanted = [(path, intact(path.read_bytes())) for path in JOURNALS]
    for (path, positions), found in zip(wanted, read(compiled, spec, wanted), strict=True):
        content = json.loads(path.with_suffix(".json").read_text(encoding="utf-8"))
        header = content["header"]
        assert {name: found["header"][name] for name in header} == header
        assert not any(value for name, value in found["header"].items() if name not in header)
        assert found["torn_end"] == 0
        assert all(found["kinds"][position - 1] for position in positions)
        assert [one["journal_id"] for one in found["blocks"]] == [header["journal_id"]] * len(positions)
        # Checks are the reader's own affair; this says that the description gives it what it needs.
        assert all(zlib.crc32(bytes.fromhex(one["checked"])) == one["check"] for one in found["blocks"])
        frames = sorted((one for one in content["frames"] if one["intact"]), key=lambda one: one["at"])
        assert frames_of(found) == [[one[key] for key in ("block", "run", "code", "tick", "values")] for one in frames]
        require_descriptions(found)


def frames_of(found: Plain) -> list[list[Any]]:
    """Block number, run, code, tick and values of every frame, in the order of the file."""
    return [
        [block["block_number"], block["run"], one["code"], one["tick"], one.get("values", {"data": one["payload"]})]
        for block in found["blocks"]
        for one in block["frames"]
    ]


def require_descriptions(found: Plain) -> list[str]:
    """Every description is understood as this package does; returns the names of what is described."""
    frames = [one for block in found["blocks"] for one in block["frames"] if "described" in one]
    for frame in frames:
        message = parse_description(bytes.fromhex(frame["payload"]))
        assert message is not None
        assert frame["described"] == {
            "code": message.code,
            "name": message.name,
            "fields": [described_field(one) for one in message.fields],
        }
    return [frame["described"]["name"] for frame in frames]


def described_field(f: DescribedField) -> Plain:
    """A described field in the form that the compiled readers give; what it does not have is missing."""
    count = f.count if f.kind in WIRE_SIZES else f.size
    made: Plain = {"name": f.name, "kind": f.kind} | ({} if count is None else {"count": count})
    if f.scale and f.scale.fraction_bits:
        made["fraction_bits"] = f.scale.fraction_bits
    elif f.scale:
        made |= {"mantissa": f.scale.mantissa, "exponent": f.scale.exponent}
    if f.unit:
        made["unit"] = f.unit
    if f.choices is not None:
        made |= {"is_flags": f.is_flags, "choices": [[value, name] for value, name in f.choices.items()]}
    return made


@each_language
def test_what_is_no_block_is_kept_as_it_is(read: Read, compiled: Path, spec: Spec, tmp_path: Path) -> None:
    rng = random.Random(5)
    whole = encode_block(JOURNAL_ID, 1, 1, 7, encode_frame(90, 4, b"unknown here", JOURNAL_ID, 1))
    torn, other_version = whole[:200] + b"\xff" * 312, whole[:2] + bytes([whole[2] ^ 2]) + whole[3:]
    blocks = [whole, rng.randbytes(512), b"\xff" * 512, torn, bytes(512), other_version]
    journal, headless = tmp_path / "a.jnl", tmp_path / "b.jnl"
    journal.write_bytes(header() + b"".join(blocks) + whole[:100])
    headless.write_bytes(bytes(512) + whole)
    first, second = read(compiled, spec, [(journal, [1]), (headless, [1])])
    assert first["kinds"] == [True, False, False, True, False, False]
    assert first["torn_end"] == 100
    assert first["header"]["label"] == "Übung №1 · čeština 試"
    assert not second.get("header")
    for found in (first, second):
        assert found["blocks"][0]["frames"] == [
            {"code": 90, "tick": 11, "payload": b"unknown here".hex(), "unknown": b"unknown here".hex()}
        ]


def header() -> bytes:
    """Block 0 of a golden journal."""
    return (GOLDEN / "release_1" / "full.jnl").read_bytes()[:512]


@pytest.fixture(scope="module")
def wide_compiled(tmp_path_factory: pytest.TempPathFactory) -> tuple[Spec, Path]:
    folder = tmp_path_factory.mktemp("wide")
    wide = spec_of_all_kinds(folder)
    (folder / "wide.ksy").write_text(kaitai.render(wide, "For a test."), encoding="utf-8")
    compile_description(folder / "wide.ksy", folder)
    return wide, folder


@each_language
def test_every_kind_of_field_and_old_short_frames_are_read_as_by_the_description(
    read: Read, wide_compiled: tuple[Spec, Path], tmp_path: Path
) -> None:
    wide, folder = wide_compiled
    rng = random.Random(6)
    own = [record for record in wide.messages if record.code >= 64]
    expected: list[list[Any]] = []
    blocks = b""
    for number in range(1, 61):
        record = own[number % len(own)]
        payload = payload_of(record, rng)
        open_tick, offset = rng.randrange(2**32), rng.choice([0, 127, 128, 2**28, 2**32 - 1])
        frame = encode_frame(record.code, offset, payload, JOURNAL_ID, number)
        blocks += encode_block(JOURNAL_ID, number, 1, open_tick, frame)
        expected.append([number, 1, record.code, (open_tick + offset) % 2**32, decoded(wide, record, payload)])
    for number, record in enumerate(wide.messages, 61):
        frame = encode_frame(Description.CODE, 0, describe(record, wide.enums), JOURNAL_ID, number)
        blocks += encode_block(JOURNAL_ID, number, 1, 0, frame)
    path = tmp_path / "wide.jnl"
    path.write_bytes(header() + blocks)
    found = read(folder, wide, [(path, list(range(1, len(blocks) // 512 + 1)))])[0]
    assert frames_of(found)[:60] == expected
    assert {len(values) for *_, code, _, values in expected if code == 100} == {12, 13, 14, 15}
    assert require_descriptions(found) == [record.name for record in wide.messages]


def spec_of_all_kinds(folder: Path) -> Spec:
    """The kit's definitions with some more messages, one of which has grown since its first release."""
    copy = kit_copy(folder)
    with (copy / "messages.toml").open("a", encoding="utf-8") as file:
        file.write(OF_ALL_KINDS)
    found = load_spec(copy)
    return replace(found, messages=tuple(grown(record) for record in found.messages))


def grown(record: Record) -> Record:
    """``record`` with the fields that this test calls appended."""
    if record.name != "wide":
        return record
    return replace(record, fields=tuple(replace(f, optional=f.name in _APPENDED) for f in record.fields))


def payload_of(record: Record, rng: random.Random) -> bytes:
    """A payload of ``record``, of a length that an older release, or a careless one, may have written."""
    made = b"".join(bytes_of(f, rng) for f in record.fields)
    return made[: rng.randint(record.size_min, len(made))] if record.tail is None else made


def bytes_of(f: Field, rng: random.Random) -> bytes:
    """Bytes of one field; text is whole, anything else is any."""
    size = rng.randrange(40) if f.size is None else f.size
    if f.type != "text":
        return bytes([rng.choice([0, 1, 2, 200])]) if f.enum else rng.randbytes(size)
    text = "".join(rng.choice("aé試 \0") for _ in range(size)).encode()[:size].decode(errors="ignore").encode()
    return text.ljust(f.size or 0, b"\0")


def decoded(spec: Spec, record: Record, payload: bytes) -> Plain:
    """What the message's own description makes of the payload."""
    status, values = description_of(spec, record).decode(payload)
    assert status is Status.OK or len(payload) < record.fixed_size
    return {name: plain(value) for name, value in values.items()}


def description_of(spec: Spec, record: Record) -> DescribedMessage:
    """``record`` as a run describes it."""
    message = parse_description(describe(record, spec.enums))
    assert message is not None
    return message


@given(whole_specs())
@settings(max_examples=100 if LONG else 2, phases=[Phase.generate], suppress_health_check=list(HealthCheck))
def test_any_definition_gives_a_description_that_reads_its_frames(drawn: DrawnSpec) -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drawn.write_grown(folder / "spec")
        spec = load_spec(folder / "spec")
        (folder / "any.ksy").write_text(kaitai.render(spec, "For a test."), encoding="utf-8")
        compile_description(folder / "any.ksy", folder)
        expected, blocks = frames_at_random(spec, random.Random(drawn.seed))
        path = folder / "any.jnl"
        path.write_bytes(header() + blocks)
        wanted = [(path, list(range(1, len(expected) + 1)))]
        for read in (read_in_javascript, read_in_python):
            assert frames_of(read(folder, spec, wanted)[0]) == expected


def frames_at_random(spec: Spec, draw: random.Random) -> tuple[list[list[Any]], bytes]:
    """Frames of each message, whole and of its older releases, each in a block; what they say, and the blocks."""
    expected: list[list[Any]] = []
    blocks = b""
    with generated_python(spec) as module:
        for cls in module.MESSAGES.values():
            later = sum(info.optional for info in cls.FIELDS)
            for missing in (0, 0, *range(1, later + 1)):
                payload = random_record(draw, cls, missing).encode()
                number, record = len(expected) + 1, cls.decode(payload)[1]
                frame = encode_frame(cls.CODE, 0, payload, JOURNAL_ID, number)
                blocks += encode_block(JOURNAL_ID, number, 1, 5, frame)
                values = {name: plain(value) for name, value in record.values().items()}
                expected.append([number, 1, cls.CODE, 5, values])
    return expected, blocks
