"""`offtake probe`: which pad carries the data, at which speed, in which dialect."""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from offtake.cli import show
from offtake.cli.options import Verbs, add_verb
from offtake.errors import EXIT_CLEAN, EXIT_DAMAGE, UsageError

if TYPE_CHECKING:
    from offtake.jobs.probe import Choice, Glance, Probed

_ONCE_S = 40.0

_MORE = """\
On a serial port it walks the usual speeds until it understands what it hears,
and shows live what the tip touches: silent, floating, noise, data. On a file it
does the same with bytes that were recorded, or with the edges of a one-bit
recording (CSV of times and levels, or VCD), whose bit time it measures. It says
how sure it is. The exit code is 0 only when a dialect was understood.

before the tip touches anything:
  - propulsion power off, propellers or drive disconnected
  - all power off; join the grounds first, then power on
  - a 1 kOhm resistor at the tip; the adapter at the receiver's level (3.3 V)
  - only the adapter's RX is connected: its TX never, nothing is ever sent
  - keep off the antenna and its feed"""


def add(verbs: Verbs) -> None:
    """Adds the verb."""
    about = "find the pad that carries the data, its speed and its dialect"
    parser = add_verb(verbs, "probe", about, "offtake probe /dev/ttyUSB0 --bell -o pad.bin", run, _MORE)
    parser.add_argument("source", type=Path, metavar="PORT|FILE", help="serial port, or a recording of bytes or edges")
    parser.add_argument("--baud", type=int, metavar="N", help="listen at this speed only")
    parser.add_argument("--framing", default="8N1", metavar="8N1", help="the framing to begin with (8N1)")
    parser.add_argument("--odd", action="store_true", help="try the unusual speeds first")
    parser.add_argument("--seconds", type=float, metavar="S", help=f"stop after so long (with --once: {_ONCE_S:.0f})")
    parser.add_argument("--once", action="store_true", help="stop when sure (usual where there is no terminal)")
    parser.add_argument("--bell", action="store_true", help="ring when the line becomes understood")
    parser.add_argument("--signal", metavar="NAME", help="which signal of a recording of edges")
    parser.add_argument(
        "--dialect", type=Path, action="append", default=[], metavar="FILE.toml", help="a dialect of your own, beside"
        " the built-in ones; may be given more than once",
    )  # fmt: skip
    parser.add_argument("-o", "--output", type=Path, metavar="FILE", help="save the bytes, and times in FILE.json")
    parser.add_argument("--replace", action="store_true", help="overwrite existing files")


def run(options: argparse.Namespace) -> int:
    """Runs the verb."""
    from offtake.jobs.places import is_port
    from offtake.jobs.probe import Choice, probe_file, require_free, save
    from offtake.jobs.runs import hearing
    from offtake.probe.model import Framing, LineState

    choice = Choice(options.baud, Framing.parse(options.framing), options.odd)
    choice.bauds()
    if options.seconds is not None and not 0.0 < options.seconds <= 1e6:
        raise UsageError(f"--seconds {options.seconds}", expected="more than 0")
    dialects = hearing(options.dialect).dialects
    if options.output is not None:
        require_free(options.output, replace=options.replace)
    if is_port(options.source):
        done = _listen(options, choice, dialects)
    else:
        if options.output is not None:
            raise UsageError("-o for a file", where=str(options.source), expected="a port: a file is saved already")
        if options.baud is not None:
            expected = "none: edges tell their speed by themselves, and bytes were taken at theirs"
            raise UsageError("--baud for a file", where=str(options.source), expected=expected)
        done = probe_file(options.source, options.signal, dialects)
    saved = options.output is not None and done.heard is not None and len(done.heard.values) > 0
    if saved:
        save(options.output, done, replace=options.replace)
    _tell(options, done, options.output if saved else None)
    return EXIT_CLEAN if done.verdict.state == LineState.UNDERSTOOD else EXIT_DAMAGE


def _listen(options: argparse.Namespace, choice: Choice, dialects: tuple[object, ...]) -> Probed:
    from offtake.jobs.probe import probe_listener, walk_for
    from offtake.probe.listen import SerialListener

    on_terminal = sys.stdout.isatty() and not options.json
    once = options.once or (not on_terminal and options.seconds is None)
    seconds = options.seconds if options.seconds is not None or not once else _ONCE_S
    with SerialListener(str(options.source)) as listener, _interrupted() as enough:
        walk = walk_for(listener, choice, dialects)  # type: ignore[arg-type]
        if on_terminal:
            with _screen(options) as show_glance:
                return probe_listener(walk, seconds, once=once, show=_until(enough, show_glance))
        log = _changes(sys.stderr.write) if options.json else _changes(sys.stdout.write)
        return probe_listener(walk, seconds, once=once, show=_until(enough, log))


@contextmanager
def _interrupted() -> Iterator[Callable[[], bool]]:
    """Ctrl-C ends the listening, not the command: what was heard is still told and saved."""
    pressed = False

    def press(number: int, frame: object) -> None:
        nonlocal pressed
        if pressed:
            raise KeyboardInterrupt
        pressed = True

    before = signal.signal(signal.SIGINT, press)
    try:
        yield lambda: pressed
    finally:
        signal.signal(signal.SIGINT, before)


def _until(enough: Callable[[], bool], show_glance: Callable[[Glance], None]) -> Callable[[Glance], bool]:
    def step(glance: Glance) -> bool:
        show_glance(glance)
        return not enough()

    return step


@contextmanager
def _screen(options: argparse.Namespace) -> Iterator[Callable[[Glance], None]]:
    from rich.console import Console

    from offtake.cli.probe_screen import ProbeScreen

    with ProbeScreen(Console(), str(options.source), rings=options.bell) as screen:
        yield screen.show


def _changes(write: Callable[[str], object]) -> Callable[[Glance], None]:
    """A line whenever the state changes."""
    before: list[str] = []

    def show_glance(glance: Glance) -> None:
        state = glance.verdict.state.value
        # A moment without a byte is no silence yet.
        early = state == "silent" and glance.verdict.certainty < 0.5
        if before[-1:] != [state] and not early:
            before[:] = [state]
            write(f"{glance.listened_s:6.1f} s  {state:<11}  at {glance.baud:,} baud {glance.framing}\n")
            sys.stdout.flush()

    return show_glance


def _tell(options: argparse.Namespace, done: Probed, saved: Path | None) -> None:
    from offtake.cli.probe_screen import certainty_text, escaped, headline

    verdict = done.verdict
    if options.json:
        values = show.plain(verdict)
        values["framing"] = None if verdict.framing is None else str(verdict.framing)
        show.emit_json("probe", {"from": options.source, "source": done.source, "saved": saved, **values})
        return
    title = verdict.state.value + (f": {headline(verdict)}" if headline(verdict) else "")
    show.paragraph(title)
    sure = f"{certainty_text(verdict.certainty)} sure" if verdict.certainty > 0.0 else ""
    for sentence in (sure, *verdict.reasons, *verdict.others):
        if sentence:
            show.paragraph(f"  {sentence}", indent=4)
    if verdict.messages:
        print()
        rows = [
            (escaped(one.name), one.dialect, one.count, f"{one.rate_hz:.2f}" if one.rate_hz else "-")
            for one in verdict.messages
        ]
        show.table(("message", "dialect", "count", "a second"), rows)
    if saved is not None:
        print(f"\nsaved as {saved} and {saved.name}.json")
    elif options.output is not None:
        print("\nnothing was heard, so nothing was saved")
