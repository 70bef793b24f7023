"""The live screen of `offtake probe`: what the tip touches, to be read at a glance from an arm's length."""

from __future__ import annotations

from collections import deque
from types import TracebackType

from rich.align import Align
from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from offtake.jobs.probe import Glance
from offtake.probe.model import LineState, Received, Verdict

_WIDTH_MOST = 100
_MESSAGES_SHOWN = 7
_REASONS_SHOWN = 3
_MARK_S = 0.5
_TAIL_BYTES = 2048

# State: its mark in the history, the style of its banner, its word, and what to make of it.
_LOOKS: dict[LineState, tuple[str, str, str, str]] = {
    LineState.SILENT: (".", "white on grey23", "silent", "Nothing. Another pad, or is the receiver without power?"),
    LineState.FLOATING: ("~", "black on grey70", "floating", "Connected to nothing, or a loose contact."),
    LineState.NOISE: ("#", "white on dark_red", "noise", "Much going on, but no bytes. Is the ground connected?"),
    LineState.OTHER_SPEED: (">", "black on dark_orange", "other speed", "Bytes, at another speed; going there."),
    LineState.DATA: ("=", "white on blue", "data", "Bytes without faults, in no dialect known here."),
    LineState.UNDERSTOOD: ("*", "black on bright_green", "understood", "This is it: hold the tip there."),
    LineState.NOT_SURE: ("?", "black on yellow", "not sure", "Something is there; hold the tip still."),
}


class ProbeScreen:
    """Shows glances until the block ends; use as a context manager. ``rings`` rings the bell when a line becomes
    understood."""

    def __init__(self, console: Console, port: str, *, rings: bool = False) -> None:
        self._console = console
        self._port = port
        self._rings = rings
        self._history: deque[LineState] = deque(maxlen=_WIDTH_MOST)
        self._marked_s = 0.0
        self._tail = b""
        self._live = Live(console=console, auto_refresh=False, screen=True)
        self._before: LineState | None = None

    def __enter__(self) -> ProbeScreen:
        self._live.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._live.__exit__(kind, error, trace)

    def show(self, glance: Glance) -> None:
        """Puts one moment onto the screen."""
        state = glance.verdict.state
        if self._rings and state == LineState.UNDERSTOOD and self._before != state:
            self._console.bell()
        self._before = state
        if not self._history or glance.listened_s - self._marked_s >= _MARK_S:
            self._history.append(state)
            self._marked_s = glance.listened_s
        self._history[-1] = state
        if glance.latest is not None:
            self._hear(glance.latest, state)
        self._live.update(self.page(glance), refresh=True)

    def _hear(self, latest: Received, state: LineState) -> None:
        if state == LineState.SILENT:
            self._tail = b""
        self._tail = (self._tail + latest.data)[-_TAIL_BYTES:]

    def page(self, glance: Glance) -> Padding:
        """What the screen holds at this moment."""
        width = min(self._console.width, _WIDTH_MOST) - 2
        verdict = glance.verdict
        head = Table.grid(expand=True)
        head.add_column()
        head.add_column(justify="right")
        head.add_row(Text(f"probe on {self._port}", style="bold"), Text(f"{glance.listened_s:,.0f} s"))
        parts: list[RenderableType] = [head, Text(), *self._banner(verdict, width), Text(), self._now(glance), Text()]
        parts += [self._strip(width), Text(), *self._messages(verdict), *self._line(verdict, width)]
        parts.append(Text("Ctrl-C ends. Nothing is ever sent to the line.", style="dim"))
        return Padding(Group(*parts), (0, 1))

    def _banner(self, verdict: Verdict, width: int) -> list[Align]:
        mark, style, word, advice = _LOOKS[verdict.state]
        spaced = " ".join(word.upper())
        shape = f"{mark} {mark} {mark}"
        lines = ("", f"{shape}    {spaced}    {shape}", "", headline(verdict) or advice, "")
        return [Align.center(Text(line.center(width)[:width], style=f"bold {style}")) for line in lines]

    def _now(self, glance: Glance) -> Text:
        verdict = glance.verdict
        doing = "staying at" if glance.settled else "trying"
        text = Text(f"{doing} {glance.baud:,} baud {glance.framing}", style="dim")
        if verdict.certainty > 0.0:
            text.append(f"   {certainty_text(verdict.certainty)} sure", style="not dim")
        if verdict.bytes_heard:
            text.append(f"   {verdict.bytes_heard:,} bytes")
            text.append(f", {verdict.bytes_faulty:,} faulty", style="not dim bold" if verdict.bytes_faulty else "")
            if verdict.seconds >= 1.0:
                text.append(f", in {verdict.seconds:.0f} s")
        return text

    def _strip(self, width: int) -> Text:
        """The last moments, newest at the right."""
        shown = list(self._history)[-(width - 12) :]
        text = Text("before  ", style="dim")
        for state in shown:
            mark, style, _, _ = _LOOKS[state]
            text.append(mark, style=style)
        return text + Text(" now", style="dim")

    def _messages(self, verdict: Verdict) -> list[Table | Text]:
        if not verdict.messages:
            return [*(Text(reason) for reason in verdict.reasons[:_REASONS_SHOWN]), Text()]
        table = Table(box=None, padding=(0, 3, 0, 0), header_style="dim")
        table.add_column("message")
        table.add_column("dialect")
        table.add_column("count", justify="right")
        table.add_column("a second", justify="right")
        for one in verdict.messages[:_MESSAGES_SHOWN]:
            table.add_row(Text(escaped(one.name)), Text(one.dialect), f"{one.count:,}", f"{one.rate_hz:.1f}")
        more = len(verdict.messages) - _MESSAGES_SHOWN
        return [table, Text(f"and {more} more kinds" if more > 0 else "", style="dim")]

    def _line(self, verdict: Verdict, width: int) -> list[Text]:
        if verdict.state not in (LineState.UNDERSTOOD, LineState.DATA) or not self._tail:
            return []
        text = last_line(self._tail)
        short = text if len(text) <= width else text[: width - 3] + "..."
        return [Text("last heard", style="dim"), Text(short), Text()]


def headline(verdict: Verdict) -> str:
    """What to set, in one line; empty when that is not known."""
    if verdict.state == LineState.OTHER_SPEED and verdict.measured_baud is not None:
        return f"Bytes at about {verdict.measured_baud:,.0f} baud."
    if verdict.state not in (LineState.UNDERSTOOD, LineState.DATA):
        return ""
    parts = [f"{verdict.baud:,} baud {verdict.framing}"] if verdict.baud and verdict.framing else []
    parts += ["inverted"] if verdict.inverted else []
    parts += [" and ".join(verdict.dialects)] if verdict.dialects else []
    parts += ["in no dialect known here"] if verdict.state == LineState.DATA else []
    return ", ".join(parts)


def certainty_text(certainty: float) -> str:
    """A certainty as a percentage that never says 100."""
    return f"{100.0 * min(certainty, 0.999):.1f} %".replace(".0 %", " %")


def last_line(data: bytes) -> str:
    """The last whole line of text in ``data``, or else its last bytes; harmless on a terminal."""
    lines = [line for line in data.replace(b"\r", b"\n").split(b"\n")[:-1] if line]
    return escaped((lines[-1] if lines and _is_text(lines[-1]) else data[-24:]).decode("latin-1"))


def escaped(text: str) -> str:
    """``text`` with everything but printable ASCII written as \\xNN: what comes off a wire may be a terminal's
    commands."""
    return "".join(one if " " <= one <= "~" else f"\\x{ord(one):02x}" for one in text)


def _is_text(line: bytes) -> bool:
    return sum(0x20 <= one < 0x7F for one in line) >= 0.8 * len(line)
