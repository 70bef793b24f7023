"""Lines of TOML keys: found in whatever way a file is written, held against Python's own reader."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from offtake.spec.lines import KeyPath, key_lines

ROOT = Path(__file__).resolve().parents[2] / "shared_spec"
FILES = [path for folder in ("", "boards", "dialects", "vectors") for path in sorted((ROOT / folder).glob("*.toml"))]

AWKWARD = '''# [not.a.table]
top = 1 # a = 2
"quoted key" = "has ] and } and # and \\" in it"
'literal = key' = 'back\\slash'
a.b.c = """
x = 1
[x]
\\"""\\
"""
e = \'\'\'
y = 2\'\'\'\'\'
list = [
    1, # comment ]
    [2, "],["], { in = 3, deep.er = [4] },
    1979-05-27 07:32:00,
]

[table]   # words
x={y={z=1}}
[table."sub.table"]
v = []
[[rows]]
n = 1
  [rows.inner]
  m = 1
[[rows]]
n = 2
[[rows.more]]
o = 3
[[rows.more]]
o = 4
[x.y.z.w]
q = true
[x.y]
r = -inf'''


def _paths(value: Any, path: KeyPath = ()) -> Iterator[KeyPath]:
    if path:
        yield path
    if isinstance(value, dict):
        for key, item in value.items():
            yield from _paths(item, (*path, key))
    elif isinstance(value, list):
        for index, item in enumerate(value):
            yield from _paths(item, (*path, index))


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_every_key_of_our_files_stands_on_the_line_that_is_told(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    lines, found = text.splitlines(), key_lines(text)
    paths = list(_paths(tomllib.loads(text)))
    assert set(found.starts) == set(paths)
    for one in paths:
        name = next(part for part in reversed(one) if isinstance(part, str))
        if isinstance(one[-1], str):
            assert name in lines[found.of(one) - 1]


def test_awkward_ways_to_write_toml() -> None:
    found = key_lines(AWKWARD)
    assert {path for path in found.starts if path} == set(_paths(tomllib.loads(AWKWARD)))
    lines = {
        ("top",): 2,
        ("quoted key",): 3,
        ("literal = key",): 4,
        ("a", "b", "c"): 5,
        ("e",): 10,
        ("list",): 12,
        ("list", 0): 13,
        ("list", 1, 1): 14,
        ("list", 2, "deep", "er", 0): 14,
        ("list", 3): 15,
        ("table",): 18,
        ("table", "x", "y", "z"): 19,
        ("table", "sub.table"): 20,
        ("rows", 0): 22,
        ("rows", 0, "inner", "m"): 25,
        ("rows", 1, "n"): 27,
        ("rows", 1, "more", 1, "o"): 31,
        ("x",): 32,
        ("x", "y"): 34,
        ("x", "y", "z", "w", "q"): 33,
        ("x", "y", "r"): 35,
    }
    assert {path: found.of(path) for path in lines} == lines
    assert found.of(("rows", 1, "nothing", "there")) == 26
    assert found.of(("nothing",)) == 1
    assert found.ends[("rows", 0, "inner")] == 25
    assert found.headers[0] == (("table",), 18)


KEYS = st.sampled_from(["a", "b_1", "long-er", '"q.u"', "'l#'"])
SCALARS = st.sampled_from(
    ["1", "-2.5e3", "true", '"s]"', "'t}'", '"""m\n#n"""', "1979-05-27", '"\\""', "'''\n'x'\n'''"]
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=3).map(lambda items: "[" + ", # c\n".join(items) + "\n]")
        | st.dictionaries(KEYS, inner, max_size=3).map(
            lambda d: "{ " + ", ".join(f"{k} = {v}" for k, v in d.items()) + " }"
        )
    ),
    max_leaves=6,
)
TABLES = st.lists(st.tuples(KEYS, st.booleans(), st.dictionaries(KEYS, VALUES, max_size=3)), max_size=4)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.dictionaries(KEYS, VALUES, max_size=3), TABLES)
def test_random_files_have_every_key_located(
    top: dict[str, str], tables: list[tuple[str, bool, dict[str, str]]]
) -> None:
    text = "".join(f"{key} = {value}\n" for key, value in top.items())
    for number, (key, is_list, pairs) in enumerate(tables):
        name = f"[[lists.{key}]]" if is_list else f"[table_{number}.{key}]"
        text += f"{name}\n" + "".join(f"{key} = {value}\n" for key, value in pairs.items())
    lines, found = text.splitlines(), key_lines(text)
    paths = set(_paths(tomllib.loads(text)))
    assert set(found.starts) == paths
    for path in paths:
        if isinstance(path[-1], str):
            assert path[-1] in lines[found.of(path) - 1]
