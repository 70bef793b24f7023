"""Messages as the streaming decoder gives them, out of rows of tables."""

from __future__ import annotations

from offtake.dialects.bulk.messages import MessageTable
from offtake.dialects.message import Message
from offtake.track.bulk.kinds import Kind


def message_of(table: MessageTable, row: int, kind: Kind) -> Message:
    """Row ``row`` of the ``table`` of ``kind``, which is no invalid one, without the bytes it was made of."""
    talker = "" if table.talker is None else str(table.talker.value(row))
    values = {name: column.value(row) for name, column in table.columns.items()}
    return Message(
        dialect=table.dialect,
        talker=talker,
        name=kind.own_name if talker == kind.own_mark else kind.name,
        offset=int(table.offset[row]),
        raw=b"",
        state="decoded",
        reason="",
        values=values,
    )
