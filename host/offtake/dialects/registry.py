"""The dialects this package was built with, by name."""

from __future__ import annotations

from collections.abc import Sequence

from offtake.dialects.decoder import StreamDecoder
from offtake.dialects.tables import AnyDialect
from offtake.errors import UsageError
from offtake.generated.dialects import DIALECTS


def new_decoder(names: Sequence[str] | str | None = None, extra: Sequence[AnyDialect] = ()) -> StreamDecoder:
    """Return a fresh decoder of the dialects called ``names`` (``None``: all of them) and of the ``extra`` ones.

    An extra dialect takes the place of a built-in one of its name. Raises :class:`~offtake.errors.UsageError` for an
    unknown name.
    """
    chosen: dict[str, AnyDialect] = {}
    for name in DIALECTS if names is None else [names] if isinstance(names, str) else names:
        if name not in DIALECTS:
            raise UsageError(f"unknown dialect {name!r}", expected=f"one of {', '.join(sorted(DIALECTS))}")
        chosen[name] = DIALECTS[name]
    chosen |= {dialect.name: dialect for dialect in extra}
    return StreamDecoder(tuple(chosen.values()))
