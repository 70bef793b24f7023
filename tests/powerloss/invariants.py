"""The named invariants, each a promise that can fail: it returns what was seen to break it, or None.

They look at the blocks that the card took, at the card's content before and after, and at what the line said; never
at the logger's own opinion.
"""

from __future__ import annotations

from collections.abc import Callable

from ground import JOURNAL_ID, OLDER_ID, Ground
from offtake.generated.records import BLOCK_MAGIC, BLOCK_SPACE, FRAME_CHECK_SIZE, FRAME_HEAD_SIZE
from offtake.journal.codec import read_block_header
from offtake.spec.load import find_spec_folder, load_spec
from salvaged import frames_recovered, nothing_invented, salvaged
from story import Session, Story
from truth import TrueBlock, blocks_of, follow, read_block

RING_BYTES = load_spec(find_spec_folder()).boards[0].ring_bytes
BLOCK_LINE_BYTES = BLOCK_SPACE - FRAME_HEAD_SIZE - 1 - FRAME_CHECK_SIZE
QUIET_NS = 1_000_000_000
START_NS = 4_500_000_000
"""Within this a start must have led to recording: the card's start, the search, and an external reset's wait."""

Invariant = Callable[[Story], str | None]


def durable_untouched(story: Story) -> str | None:
    """Promise 2: what had left busy and was not itself harmed stays the same byte for byte, recording on included."""
    ground = story.ground
    must: dict[int, bytes] = dict(enumerate(blocks_of(ground.journal(ground.image))))
    for number, session in enumerate(_all_sessions(story)):
        for block in session.blocks:
            position = ground.position_of.get(block.sector)
            wrong = _overwrites(ground, block.before, block.after)
            if wrong:
                return f"power-on {number + 1}: {wrong}"
            if position is not None:
                must[position] = block.after if block.kept else block.before
        now = blocks_of(session.journal)
        for sector in session.harmed:
            position = ground.position_of.get(sector)
            if position is not None:
                must[position] = now[position]
        if must != dict(enumerate(now)):
            bad = [position for position, block in enumerate(now) if must[position] != block]
            return f"after power-on {number + 1}: the durable block at place {bad[0]} changed ({len(bad)} in all)"
    return None


def _overwrites(ground: Ground, before: bytes, after: bytes) -> str | None:
    """What speaks against writing ``after`` where ``before`` lay intact: only a wrapped journal's oldest may go."""
    old, new = read_block(before), read_block(after)
    if old is None:
        return None
    if new is None or new.number <= old.number:
        return f"durable block {old.number} was written over by {new.number if new else 'what is no block'}"
    if not ground.wraps or (new.number - old.number) % ground.lap:
        return f"durable block {old.number} was written over by block {new.number}"
    return None


def bounded_loss(story: Story) -> str | None:
    """Promise 3: at a cut, what came and is not durable is at most the ring and one block, on a quiet line 1 s old."""
    bound = RING_BYTES + BLOCK_LINE_BYTES
    for number, session in enumerate(_all_sessions(story)):
        for index, life in enumerate(session.lives):
            account = follow(life, index, session.blocks)
            missing = len(life.heard) - account.reached
            if missing > bound:
                return f"power-on {number + 1}: {missing} bytes had come and were not durable, at most {bound} may be"
            recording = any(block.life == index and block.kept for block in session.blocks)
            if missing > 0 and recording and story.steady:
                age_ns = life.end_ns - int(life.heard_ns[account.reached])
                if age_ns > QUIET_NS:
                    return f"power-on {number + 1}: a byte {age_ns / 1e6:.0f} ms old was not durable"
    return None


def loss_counted(story: Story) -> str | None:
    """Promise 5: logged + counted lost + lost at the end of power = heard by the chip, exactly, piece by piece."""
    for number, session in enumerate(_all_sessions(story)):
        for index, life in enumerate(session.lives):
            account = follow(life, index, session.blocks)
            wrong = account.uncounted or account.invented
            if wrong:
                return f"power-on {number + 1}, run {account.runs}: {wrong[0]}"
    return None


def inside_journal(story: Story) -> str | None:
    """Promise 6: nothing is written outside the journal file's blocks 1 to n-1, each block in its own place."""
    ground = story.ground
    harmed: set[int] = set()
    for number, session in enumerate(_all_sessions(story)):
        harmed |= session.harmed
        for block in session.blocks:
            position = ground.position_of.get(block.sector, 0)
            if position == 0:
                return f"power-on {number + 1}: sector {block.sector} outside the journal was written"
            content = read_block(block.after)
            if content is not None and 1 + (content.number - 1) % ground.lap != position:
                return f"power-on {number + 1}: block {content.number} was written to place {position}"
        changed = [sector for sector in session.outside if sector not in harmed]
        if changed:
            return f"after power-on {number + 1}: sector {changed[0]} outside the journal changed"
    if story.complaints and not _lost_its_ground(story):
        return f"fsck.fat: {story.complaints[0]}"
    return None


def next_run(story: Story) -> str | None:
    """After each cut the logger starts again on the same card: run number last + 1, everything recorded. The last run
    is the last of which the card still returns anything, out of a torn block too: no two power-ups share a number. A
    torn block whose header names a run of which nothing else is left may pass that number over."""
    last, before = story.last, story.sessions[-1]
    if last.hung:
        return last.hung
    if _lost_its_ground(story):
        return None  # the card itself damaged the file system or the journal's header
    if _is_full(story):
        return f"{len(last.blocks)} blocks were written to a full journal" if last.blocks else None
    expected = max((frame.likely_run or 0 for frame in salvaged(before)[1]), default=0) + 1
    account = follow(last.lives[0], 0, last.blocks)
    if account.runs != [expected] and account.runs != [_named(before, story.ground, expected) + 1]:
        return f"the next run is {account.runs or 'not there'}, expected {expected}"
    came_to_end = not story.ground.wraps and any(_number(block.after) == story.ground.lap for block in last.blocks)
    if account.logged != len(last.lives[0].heard) and not came_to_end:
        return f"the next run logged {account.logged} of {len(last.lives[0].heard)} bytes"
    return None


def _named(session: Session, ground: Ground, number: int) -> int:
    """``number`` if a block's header names that run, in its place and of this journal, whatever the block's check says;
    else 0."""
    for position, data in enumerate(blocks_of(session.journal)):
        header = read_block_header(data)
        in_place = position > 0 and (header.block_number - 1) % ground.lap == position - 1
        if data[0] == BLOCK_MAGIC and header.journal_id == JOURNAL_ID and in_place and header.run_number == number:
            return number
    return 0


def recovery_idempotent(story: Story) -> str | None:
    """A start that does not come to write changes nothing and finds the same end of the journal as the one after it."""
    if story.mount is None or _lost_its_ground(story):
        return None
    if story.mount.journal != story.sessions[-1].journal or story.mount.outside != story.sessions[-1].outside:
        return "a start alone changed the card"
    first = [_place(session) for session in (story.mount, story.last)]
    return None if first[0] == first[1] else f"one start went on at {first[0]}, the next one at {first[1]}"


def _place(session: Session) -> str:
    """Where a session's first block went."""
    if not session.blocks:
        return "no place"
    content = read_block(session.blocks[0].after)
    return f"sector {session.blocks[0].sector}, block {content.number}, run {content.run}" if content else "no block"


def taken_up_again(story: Story) -> str | None:
    """A card pulled and put back is taken up as a new run without a restart, and what comes then is recorded."""
    for number, session in enumerate(story.sessions):
        if session.pulled_ns is None:
            continue
        back_ns = session.pulled_ns[1]
        came = any(int(life.heard_ns[-1]) > back_ns for life in session.lives if life.heard)
        if session.end_ns < back_ns + START_NS or not came:
            continue  # with nothing to write the logger does not look at the card
        runs = [{content.run for content in _contents(session, back_ns, after=after)} for after in (False, True)]
        if not runs[1]:
            return f"power-on {number + 1}: nothing was recorded after the card came back"
        if runs[0] and min(runs[1]) != max(runs[0]) + 1:
            return f"power-on {number + 1}: run {max(runs[0])} was followed by {sorted(runs[1])}"
        first = next(block.accepted_ns for block in session.blocks if block.accepted_ns > back_ns)
        if first > back_ns + START_NS:
            return f"power-on {number + 1}: the card was taken up {(first - back_ns) / 1e6:.0f} ms after it came back"
    return None


def _contents(session: Session, back_ns: int, *, after: bool) -> list[TrueBlock]:
    chosen = [b for b in session.blocks if (b.accepted_ns > back_ns) is after and b.kept]
    return [content for content in (read_block(block.after) for block in chosen) if content is not None]


def no_hang(story: Story) -> str | None:
    """Every start leads to a living logger: no endless loop, no crash, no sleep for ever, no silence."""
    for number, session in enumerate(_all_sessions(story)):
        if session.hung:
            return f"power-on {number + 1}: {session.hung}"
    if not _lost_its_ground(story) and not story.last.blocks and not _is_full(story):
        return "the next start recorded nothing"
    return None


def _is_full(story: Story) -> bool:
    """Whether a journal that stops has anything of its own, damaged or not, in its last place before the next run."""
    block = blocks_of(story.sessions[-1].journal)[-1]
    free = len(set(block)) == 1 or read_block(block, OLDER_ID) is not None
    return not story.ground.wraps and not free


def _number(block: bytes) -> int | None:
    content = read_block(block)
    return content.number if content else None


def _all_sessions(story: Story) -> list[Session]:
    return [*story.sessions, *([story.mount] if story.mount else []), story.last]


def _lost_its_ground(story: Story) -> bool:
    """Whether declared damage reached outside the journal's blocks."""
    harmed = {sector for session in story.sessions for sector in session.harmed}
    return any(story.ground.position_of.get(sector, 0) == 0 for sector in harmed)


INVARIANTS: dict[str, Invariant] = {
    check.__name__: check
    for check in (
        durable_untouched,
        frames_recovered,
        bounded_loss,
        nothing_invented,
        loss_counted,
        inside_journal,
        next_run,
        recovery_idempotent,
        taken_up_again,
        no_hang,
    )
}
"""Every invariant by its name."""
