"""Many messages at once with NumPy: the same messages and values as the streaming decoder's, as columns.

:func:`find_messages` says where messages lie, :func:`decode_columns` makes a table of each kind, :class:`BulkDecoder`
does both for a stream of any length. :mod:`offtake.dialects.bulk.arrow` turns tables into Arrow's.
"""

from offtake.dialects.bulk.columns import Column, Shape
from offtake.dialects.bulk.decode import Tables, decode_columns
from offtake.dialects.bulk.index import MessageIndex, find_messages
from offtake.dialects.bulk.messages import MessageTable
from offtake.dialects.bulk.window import BulkDecoder, Window

__all__ = [
    "BulkDecoder",
    "Column",
    "MessageIndex",
    "MessageTable",
    "Shape",
    "Tables",
    "Window",
    "decode_columns",
    "find_messages",
]
