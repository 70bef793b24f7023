"""The seed corpus is what its maker makes, and small."""

from __future__ import annotations

from fuzz_corpus import FOLDER, seeds

FILES_MAX = 300
BYTES_MAX = 200 * 1024


def test_the_corpus_is_what_its_maker_makes() -> None:
    made = {f"{name}/{at:02d}": data for name, inputs in seeds().items() for at, data in enumerate(inputs)}
    kept = {f"{path.parent.name}/{path.name}": path.read_bytes() for path in sorted(FOLDER.glob("*/*"))}
    assert sorted(kept) == sorted(made)
    differing = [name for name in made if made[name] != kept[name]]
    assert not differing, "run tests/fuzzing/fuzz_corpus.py"


def test_the_corpus_is_small_and_without_copies() -> None:
    for inputs in seeds().values():
        assert len(set(inputs)) == len(inputs)
    assert sum(map(len, seeds().values())) <= FILES_MAX
    assert sum(len(data) for inputs in seeds().values() for data in inputs) <= BYTES_MAX
