"""The dialects this package was built with, by name; a user's own ones, from a file, beside them."""

from __future__ import annotations

from collections.abc import Sequence

from offtake.dialects.tables import AnyDialect
from offtake.errors import UsageError
from offtake.generated.dialects import DIALECTS


def chosen_dialects(
    names: Sequence[str] | str | None = None, extra: Sequence[AnyDialect] = ()
) -> tuple[AnyDialect, ...]:
    """Return the dialects called ``names`` (``None``: all built-in ones) and the ``extra`` ones.

    A user's own dialect, read from TOML by :func:`offtake.spec.dialect.load_dialect`, is given as an extra one: nothing
    is generated or stored. It takes the place of a built-in one of its name. Where it has the framing of a built-in one
    it need only declare the messages that one lacks: see :mod:`offtake.dialects.decoder` on who wins. Raises
    :class:`~offtake.errors.UsageError` for an unknown name; a decoder of them does when two have the same name.
    """
    chosen: dict[str, AnyDialect] = {}
    for name in DIALECTS if names is None else [names] if isinstance(names, str) else names:
        if name not in DIALECTS:
            raise UsageError(f"unknown dialect {name!r}", expected=f"one of {', '.join(sorted(DIALECTS))}")
        chosen[name] = DIALECTS[name]
    replaced = {dialect.name for dialect in extra}
    return (*(one for name, one in chosen.items() if name not in replaced), *extra)
