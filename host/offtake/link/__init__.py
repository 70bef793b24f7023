"""The link room: the board over a serial line, and pulling a journal from it or from a card."""

from offtake.link.desk import Desk, open_desk
from offtake.link.pull import PullResult, pull, pull_from_desk, pull_from_path
from offtake.link.runs import RunSeen, list_runs

__all__ = ["Desk", "PullResult", "RunSeen", "list_runs", "open_desk", "pull", "pull_from_desk", "pull_from_path"]
