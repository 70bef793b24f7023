"""Random definitions of messages, random changes to them, and an oracle that tells which changes keep old logs.

The oracle looks at nothing but these small models; it shares no code with :mod:`offtake.spec.evolution`.
"""

from __future__ import annotations

from collections.abc import Callable
from copy import deepcopy
from dataclasses import dataclass, field
from random import Random

SIZES = {"u8": 1, "u16": 2, "u32": 4, "i8": 1, "i16": 2, "i32": 4}
UNITS = ("", "m", "degC", "%")


@dataclass
class F:
    """A field. ``keys`` are further keys as TOML; ``bounds`` are in the raw unit, both or none."""

    name: str
    type: str
    keys: dict[str, str] = field(default_factory=dict)
    bounds: tuple[int, int] | None = None

    @property
    def layout(self) -> tuple[str, str, tuple[tuple[str, str], ...]]:
        """What may never change."""
        return self.name, self.type, tuple(sorted(self.keys.items()))

    @property
    def range(self) -> tuple[int, int]:
        """What the raw number may be."""
        bits = 8 * SIZES.get(self.type, 0)
        if self.bounds:
            return self.bounds
        return (0, 2**bits - 1) if self.type[0] == "u" else (-(2**bits) // 2, 2**bits // 2 - 1)

    @property
    def is_tail(self) -> bool:
        """Of any length."""
        return self.type not in SIZES and "size" not in self.keys

    def text(self) -> str:
        """As TOML."""
        facts = [f'name = "{self.name}"', f'type = "{self.type}"', *(f"{k} = {v}" for k, v in self.keys.items())]
        if self.bounds:
            facts += [f"min = {self.bounds[0]}", f"max = {self.bounds[1]}"]
        return f'    {{ {", ".join(facts)}, doc = "It." }},'


@dataclass
class M:
    """A message."""

    name: str
    code: int
    fields: list[F]

    @property
    def has_tail(self) -> bool:
        """Whether it can never grow."""
        return bool(self.fields) and self.fields[-1].is_tail


@dataclass
class World:
    """Messages and the choices that their fields name: name, and names with their values."""

    messages: list[M]
    enums: dict[str, dict[str, int]]
    flags: dict[str, dict[str, int]]
    next_name: int = 0

    def name(self) -> str:
        """A name that was never used."""
        self.next_name += 1
        return f"n{self.next_name}"

    def text(self) -> str:
        """messages.toml, with what the other files need of it."""
        out = []
        for message in self.messages:
            head = [f"[messages.{message.name}]", f"code = {message.code}", 'doc = "It."', "fields = ["]
            out += [*head, *(one.text() for one in message.fields), "]", ""]
        for group, key, sets in (("enums", "value", self.enums), ("flag_sets", "bit", self.flags)):
            for name, choices in sets.items():
                out += [f"[{group}.{name}]", 'doc = "They."']
                out += [f'{choice} = {{ {key} = {value}, doc = "It." }}' for choice, value in choices.items()] + [""]
        return "\n".join([*out, '[flag_sets.sensor]\ndoc = "They."\nanalogue = { bit = 0, doc = "It." }', ""])


def world(random: Random) -> World:
    """A few messages with a few fields of every kind."""
    made = World([], {"mood": {"calm": 0, "wild": 1}}, {"marks": {"first": 0, "last": 2}})
    for code in random.sample(range(1, 128), random.randint(1, 3)):
        fields = [_field(made, random) for _ in range(random.randint(1, 4))]
        if random.random() < 0.25:
            fields.append(F(made.name(), random.choice(("bytes", "text"))))
        made.messages.append(M(made.name(), code, fields))
    return made


def _field(made: World, random: Random) -> F:
    kind = random.choice((*SIZES, "bytes", "text"))
    one = F(made.name(), kind)
    if kind not in SIZES:
        one.keys["size"] = str(random.randint(1, 6))
        return one
    if kind[0] == "u" and random.random() < 0.3:
        key, sets = random.choice((("enum", made.enums), ("flags", made.flags)))
        one.keys[key] = f'"{random.choice(list(sets))}"'
        return one
    if random.random() < 0.3:
        one.keys["count"] = str(random.randint(2, 4))
    unit = random.choice(UNITS)
    if unit:
        one.keys["unit"] = f'"{unit}"'
    if random.random() < 0.3:
        one.keys.update([random.choice((("scale", "0.5"), ("scale", "0.001"), ("fraction_bits", "3")))])
    elif random.random() < 0.4:
        one.bounds = (random.randint(0, 5), random.randint(50, 90))
    return one


def legal(old: World, new: World) -> bool:
    """Whether logs of ``old`` are read by ``new`` as before."""
    by_name = {message.name: message for message in new.messages}
    for message in old.messages:
        now = by_name.get(message.name)
        if now is None or now.code != message.code or len(now.fields) < len(message.fields):
            return False
        for before, after in zip(message.fields, now.fields, strict=False):
            (low, high), (now_low, now_high) = before.range, after.range
            if before.layout != after.layout or now_low > low or now_high < high:
                return False
        if message.has_tail and len(now.fields) != len(message.fields):
            return False
    return all(
        old_sets[name].items() <= new_sets.get(name, {}).items()
        for old_sets, new_sets in ((old.enums, new.enums), (old.flags, new.flags))
        for name in old_sets
    )


def changed(old: World, random: Random, ways: tuple[Callable[[World, Random], None], ...]) -> World:
    """``old`` after one to three of ``ways``."""
    new = deepcopy(old)
    for _ in range(random.randint(1, 3)):
        random.choice(ways)(new, random)
    return new


def _some(new: World, random: Random) -> M:
    return random.choice(new.messages)


def _sets(new: World, random: Random) -> dict[str, int]:
    return random.choice([*new.enums.values(), *new.flags.values()])


def append_field(new: World, random: Random) -> None:
    """At the end of a message that can grow; otherwise nothing."""
    message = _some(new, random)
    if not message.has_tail:
        message.fields.append(_field(new, random))


def append_tail(new: World, random: Random) -> None:
    """The last growth of a message."""
    message = _some(new, random)
    if not message.has_tail:
        message.fields.append(F(new.name(), "bytes"))


def add_message(new: World, random: Random) -> None:
    """With a code that was never used."""
    free = next(code for code in range(127, 0, -1) if code not in {one.code for one in new.messages})
    at = random.randint(0, len(new.messages))
    new.messages.insert(at, M(new.name(), free, [_field(new, random)]))


def append_choice(new: World, random: Random) -> None:
    """With the next value."""
    choices = _sets(new, random)
    if max(choices.values()) < 7:
        choices[new.name()] = max(choices.values()) + 1


def widen(new: World, random: Random) -> None:
    """The range of a field that has one."""
    for one in (one for message in new.messages for one in message.fields if one.bounds and random.random() < 0.7):
        assert one.bounds
        one.bounds = (max(0, one.bounds[0] - 1), one.bounds[1] + random.randint(0, 9))


def shuffle(new: World, random: Random) -> None:
    """The order of tables, which says nothing."""
    random.shuffle(new.messages)


def remove_message(new: World, random: Random) -> None:
    """One of several."""
    if len(new.messages) > 1:
        new.messages.remove(_some(new, random))


def rename_message(new: World, random: Random) -> None:
    """To a name that was never used."""
    _some(new, random).name = new.name()


def recode_message(new: World, random: Random) -> None:
    """To a code that was never used."""
    _some(new, random).code = next(code for code in range(1, 128) if code not in {one.code for one in new.messages})


def remove_field(new: World, random: Random) -> None:
    """Any one."""
    fields = _some(new, random).fields
    if fields:
        fields.remove(random.choice(fields))


def swap_fields(new: World, random: Random) -> None:
    """Two of a message; a tail stays where it is."""
    fields = _some(new, random).fields
    movable = [place for place, one in enumerate(fields) if not one.is_tail]
    if len(movable) > 1:
        a, b = random.sample(movable, 2)
        fields[a], fields[b] = fields[b], fields[a]


def insert_field(new: World, random: Random) -> None:
    """Somewhere before the end."""
    fields = _some(new, random).fields
    fields.insert(random.randrange(max(1, len(fields))), _field(new, random))


def rename_field(new: World, random: Random) -> None:
    """To a name that was never used."""
    fields = _some(new, random).fields
    if fields:
        random.choice(fields).name = new.name()


def remake_field(new: World, random: Random) -> None:
    """The same name, everything else drawn again."""
    fields = _some(new, random).fields
    if fields:
        place = random.randrange(len(fields))
        other = _field(new, random)
        other.name = fields[place].name
        fields[place] = other


def move_bounds(new: World, random: Random) -> None:
    """Ranges to anything, perhaps narrower."""
    for one in (one for message in new.messages for one in message.fields if one.bounds):
        one.bounds = (random.randint(0, 5), random.randint(50, 90))


def rename_choice(new: World, random: Random) -> None:
    """To a name that was never used."""
    choices = _sets(new, random)
    name = random.choice(list(choices))
    choices[new.name()] = choices.pop(name)


def remove_choice(new: World, random: Random) -> None:
    """The last one."""
    choices = _sets(new, random)
    if len(choices) > 1:
        choices.popitem()


def rename_enum(new: World, random: Random) -> None:
    """And every field's reference to it."""
    name = new.name()
    new.enums = {(name if key == "mood" else key): choices for key, choices in new.enums.items()}
    for one in (one for message in new.messages for one in message.fields if one.keys.get("enum") == '"mood"'):
        one.keys["enum"] = f'"{name}"'


def swap_values(new: World, random: Random) -> None:
    """Of two choices."""
    choices = _sets(new, random)
    if len(choices) > 1:
        a, b = random.sample(list(choices), 2)
        choices[a], choices[b] = choices[b], choices[a]


KIND = (append_field, append_tail, add_message, append_choice, widen, shuffle)
CRUEL = (
    remove_message, rename_message, recode_message, remove_field, swap_fields, insert_field, rename_field,
    remake_field, move_bounds, rename_choice, remove_choice, rename_enum, swap_values,
)  # fmt: skip
