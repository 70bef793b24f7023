"""The card room: prepares a journal file on a FAT card or image, and finds and reads it there."""

from offtake.card.images import fsck, make_card_image
from offtake.card.locate import EXTENTS_MAX, JOURNAL_FILE_NAME, Extent, LocatedFile, locate_in_image
from offtake.card.mounts import MountedAs, mounted_as
from offtake.card.prepare import Prepared, Progress, Replaced, prepare_in_image, prepare_on_mount
from offtake.card.source import JournalReader, OpenedJournal, open_journal

__all__ = [
    "EXTENTS_MAX",
    "JOURNAL_FILE_NAME",
    "Extent",
    "JournalReader",
    "LocatedFile",
    "MountedAs",
    "OpenedJournal",
    "Prepared",
    "Progress",
    "Replaced",
    "fsck",
    "locate_in_image",
    "make_card_image",
    "mounted_as",
    "open_journal",
    "prepare_in_image",
    "prepare_on_mount",
]
