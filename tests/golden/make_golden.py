"""Makes the golden journals of the newest release: tests/golden/release_N with journals and what they say.

The folder of a release is made once, when it has been published, and never again: what lies there is what loggers in
the field wrote. `--try` makes the journals elsewhere, to look at before.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
import tempfile
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent)]

from golden_decode import Plain, decode, dumps  # noqa: E402
from golden_recordings import RECORDINGS, SINCE  # noqa: E402
from kit_definitions import kit_lock  # noqa: E402
from offtake.errors import EXIT_CLEAN, OfftakeError, UsageError  # noqa: E402
from offtake.firmware_build import build  # noqa: E402
from offtake.generated.records import SPEC_HASH  # noqa: E402
from offtake.spec.load import find_spec_folder  # noqa: E402
from offtake.spec.lock import read_lock  # noqa: E402
from offtake.spec.lock_model import Release  # noqa: E402

VARIANT = "atmega328p_16mhz"


def main() -> int:
    """Makes them and says what they are."""
    first_line = (__doc__ or "").splitlines()[0]
    parser = argparse.ArgumentParser(prog="tests/golden/make_golden.py", description=first_line)
    parser.add_argument("--firmware", type=Path, metavar="ELF", help=f"its firmware (built: {VARIANT})")
    parser.add_argument("--try", type=Path, metavar="DIR", dest="elsewhere", help="into DIR, published or not")
    options = parser.parse_args()
    try:
        if options.elsewhere:
            release, folder = Release(max(SINCE.values()), SPEC_HASH), options.elsewhere
        else:
            release = newest_release()
            folder = HERE / f"release_{release.number}"
        made = make(release, folder, options.firmware or build(VARIANT))
    except OfftakeError as error:
        print(f"error: {error}", file=sys.stderr)
        return error.exit_code
    for content in made:
        counts = ", ".join(f"{count} {name}" for name, count in content["frames_by_message"].items())
        print(f"{folder / content['journal']}: {content['account']['size']:,} bytes: {counts}")
    return EXIT_CLEAN


def newest_release() -> Release:
    """The last release in the lock, when the definition is still that one and it is one of the kit's."""
    lock = read_lock(find_spec_folder())
    if lock is None or lock.latest.layout_hash != SPEC_HASH:
        raise UsageError(f"layout {SPEC_HASH:08x} is not the last release", expected="`offtake spec publish` before")
    if lock.latest not in kit_lock(lock).releases:
        what = f"release {lock.latest.number} only adds messages from code 64 on"
        raise UsageError(what, expected="a release that changes something of the kit's; others need no golden journals")
    return lock.latest


def make(release: Release, folder: Path, firmware: Path) -> list[Plain]:
    """The journals of ``release``, recorded by ``firmware``, with their values, in the new folder ``folder``."""
    if folder.exists():
        raise UsageError("is there already: what was released stays as it is", where=str(folder))
    made: list[tuple[Plain, bytes]] = []
    for name, record in RECORDINGS.items():
        if SINCE.get(name, 1) <= release.number:
            with tempfile.TemporaryDirectory() as scratch:
                data = record(firmware, Path(scratch))
            made.append((describe(release, f"{name}.jnl", data), data))
    folder.mkdir(parents=True)
    for content, data in made:
        path = folder / content["journal"]
        path.write_bytes(data)
        path.with_suffix(".json").write_text(dumps(content), encoding="utf-8")
    return [content for content, _ in made]


def describe(release: Release, name: str, data: bytes) -> Plain:
    """What the journal's file of values says. UsageError where another release's firmware wrote it."""
    content = {
        "journal": name,
        "release": release.number,
        "spec_hash": f"{release.layout_hash:08x}",
        "sha256": hashlib.sha256(data).hexdigest(),
        **decode(data, name),
    }
    starts = {frame["values"]["spec_hash"] for frame in content["frames"] if frame["name"] == "run_start"}
    if starts != {release.layout_hash}:
        raise UsageError("the firmware is of another layout", where=name, expected=f"layout {release.layout_hash:08x}")
    return content


if __name__ == "__main__":
    raise SystemExit(main())
