"""Reads the boards, ``shared_spec/boards/*.toml``."""

from __future__ import annotations

from pathlib import Path

from offtake.errors import SpecError
from offtake.spec.model import Board, Choice, Enumeration, Light, Pin, Variant
from offtake.spec.names import check_name, read_doc
from offtake.spec.table import Source, Table, parse_table, read_source

_LARGE = 2**31


def read_boards(folder: Path) -> tuple[tuple[Board, ...], Enumeration, dict[str, Source]]:
    """All boards below ``folder`` in the order of their names, their variants as an enumeration, and the files."""
    boards: list[Board] = []
    choices: list[Choice] = []
    sources: dict[str, Source] = {}
    for path in sorted(folder.glob("*.toml")):
        source = read_source(path, f"boards/{path.name}")
        sources[source.shown] = source
        boards.append(_board(source, path.stem, choices))
    if not boards:
        raise SpecError("no board", where=str(folder), expected="at least one *.toml")
    return tuple(boards), Enumeration("board", "Board variants.", tuple(choices)), sources


def _board(source: Source, name: str, choices: list[Choice]) -> Board:
    file = parse_table(source)
    check_name(name, source.shown)
    table = file.table("board")
    board = Board(
        name=name,
        variants=_variants(table, choices),
        pins=_pins(table.table("pins")),
        lights=_lights(table.table("lights")),
        doc=read_doc(table),
        tick_ns=table.integer("tick_ns", 1, _LARGE),
        ram_bytes=table.integer("ram_bytes", 1, _LARGE),
        flash_bytes=table.integer("flash_bytes", 1, _LARGE),
        flash_limit_bytes=table.integer("flash_limit_bytes", 1, _LARGE),
        stack_margin_bytes=table.integer("stack_margin_bytes", 1, _LARGE),
        ring_bytes=table.integer("ring_bytes", 1, _LARGE),
        desk_stack_bytes=table.integer("desk_stack_bytes", 0, _LARGE),
        extents_max=table.integer("extents_max", 1, _LARGE),
        shelf_bytes=table.integer("shelf_bytes", 0, _LARGE, 0),
        sensor_bytes=table.integer("sensor_bytes", 0, _LARGE, 0),
        sensor_shelf_bytes=table.integer("sensor_shelf_bytes", 0, _LARGE, 0),
        sensor_stack_bytes=table.integer("sensor_stack_bytes", 0, _LARGE, 0),
    )
    table.end()
    file.end("board")
    return board


def _variants(table: Table, choices: list[Choice]) -> tuple[Variant, ...]:
    variants: list[Variant] = []
    for entry in table.tables("variants"):
        name, where = entry.text("name"), entry.at("code")
        check_name(name, entry.at("name"))
        variant = Variant(
            name,
            entry.integer("code", 1, 255),
            entry.integer("clock_hz", 1_000_000, 10**9),
            entry.integer("desk_baud", 1200, 4_000_000),
            read_doc(entry),
        )
        for other in choices:
            if other.value == variant.code:
                what = f"code {variant.code} is taken by {other.name}"
                raise SpecError(what, where=where, expected="a code of its own")
            if other.name == name:
                raise SpecError(f"{name!r} is taken", where=entry.at("name"), expected="a name of its own")
        entry.end()
        choices.append(Choice(name, variant.code, variant.doc))
        variants.append(variant)
    return tuple(variants)


def _pins(table: Table) -> tuple[Pin, ...]:
    pins = []
    for name, entry in table.named_tables():
        pins.append(Pin(name, entry.text("pin"), read_doc(entry)))
        entry.end()
    return tuple(pins)


def _lights(table: Table) -> tuple[Light, ...]:
    lights = []
    for name, entry in table.named_tables():
        where = entry.at("steps")
        steps = entry.integers("steps", 1, 255)
        if len(steps) % 2:
            raise SpecError(f"{len(steps)} steps", where=where, expected="pairs of on and off")
        lights.append(Light(name, steps, read_doc(entry)))
        entry.end()
    return tuple(lights)
