"""Adds a message to shared_spec/messages.toml: whole, checked, and nothing else in the file touched."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from offtake.errors import InputOutputError, SpecError, UsageError
from offtake.jobs.spec import require_sound, write_text
from offtake.spec.concerns import concerns
from offtake.spec.evolution_model import Finding
from offtake.spec.load import Loaded, find_spec_folder, load_with_sources
from offtake.spec.model import CODE_LAST, OWN_CODE_FIRST
from offtake.spec.new_message import NewMessage, inserted
from offtake.spec.questions import read_code

_FILE = "messages.toml"
_PLACE = re.compile(rf"{re.escape(_FILE)} line [0-9]+: ")


@dataclass(frozen=True)
class Added:
    """What was, or would be, added: where in which file, its text, how the firmware logs it, and what should be known
    of it before it is released."""

    path: Path
    line: int
    name: str
    code: int
    text: str
    call: str
    written: bool
    warnings: tuple[Finding, ...]


def open_spec(root: Path | None = None) -> Loaded:
    """The definitions as they are, before a message is added. SpecError where they are not sound already."""
    loaded = load_with_sources(find_spec_folder(root))
    require_sound(loaded)
    return loaded


def free_code(loaded: Loaded) -> int:
    """The lowest code for one's own messages that none has or ever had. UsageError where none is left."""
    released = loaded.lock.messages.values() if loaded.lock else ()
    used = {record.code for record in (*loaded.spec.messages, *released)}
    for code in range(OWN_CODE_FIRST, CODE_LAST + 1):
        if code not in used:
            return code
    raise UsageError("every code from 64 to 127 is taken")


def add_message(loaded: Loaded, message: NewMessage, root: Path | None = None, *, write: bool) -> Added:
    """Writes ``message`` into messages.toml, unless ``write`` is off.

    UsageError, and nothing is written, for what the checks refuse with it. InputOutputError where the file cannot be
    read or written.
    """
    folder = find_spec_folder(root)
    read_code(str(message.code), loaded.spec)
    if any(message.name == other.name for other in loaded.spec.messages):
        raise UsageError(f"there is a message {message.name}", expected="a name of its own")
    path = folder / _FILE
    try:
        with path.open(encoding="utf-8", newline="") as stream:
            text, line = inserted(stream.read(), message)
    except OSError as error:
        raise InputOutputError(f"cannot read: {error.strerror}", where=str(path)) from error
    try:
        changed = load_with_sources(folder, {_FILE: text.replace("\r\n", "\n")})
        require_sound(changed)
    except SpecError as error:
        # The line is one of a text that nobody has seen.
        raise UsageError(error.what, where=_PLACE.sub("", error.where), expected=error.expected) from error
    if write:
        write_text(path, text)
    shown = "\n".join([message.text(), *(choices.text() for choices in message.choices)])
    place = f"messages.{message.name}"
    found = tuple(one for one in concerns(changed) if _PLACE.sub("", one.where) == place)
    return Added(path, line, message.name, message.code, shown, message.call(), write, found)
