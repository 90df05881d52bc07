"""Files that are no TOML, and the lines of the keys of those that are."""

from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.case.campaign import SMALL, faults, line_of
from wallsim.case import load_case
from wallsim.errors import CaseError
from wallsim.toml_lines import scan

SYNTAX = [
    (
        'length = "400 mm"',
        'length = "400 mm"\nlength = "300 mm"',
        1,
        "tube.length",
        "written twice (first at line 7); keep one",
    ),
    (
        'wall = "8 mm +- 0.1 mm"',
        "wall = 8 mm",
        0,
        "wall",
        'text goes in quotes, as in wall = "8 mm"',
    ),
    ('title = "small"', 'title = "small', 0, "title", "not valid TOML"),
    ("[[run]]", "[[run]", 0, "[[run]", "not valid TOML"),
    ("[[sensor]]", "[sensor]", 4, "[[sensor]]", "write every such header with double brackets"),
    ("[blend.neat]", "[blend.hot neat]", 0, "[blend.hot neat]",
     'a name with blanks goes in quotes, as in [blend."hot neat"]'),
    ('log = "a.csv"', 'log = "logs\\R01.csv"', 0, "log", "write paths with /"),
    ("[pressure]", "[tube]", 0, "[tube]", "written twice"),
]


@pytest.mark.parametrize(("old", "new", "below", "key", "wrong"), SYNTAX)
def test_syntax(tmp_path, old, new, below, key, wrong):
    found = faults(tmp_path, (old, new))
    start = f"{line_of(old) + below}: {key}: "
    assert any(f.startswith(start) and wrong in f.removeprefix(start) for f in found), found


def test_no_file(tmp_path):
    with pytest.raises(CaseError, match="no such case file; check the path"):
        load_case(tmp_path / "case.toml")
    with pytest.raises(CaseError, match="is a folder; name the case file in it"):
        load_case(tmp_path)


def test_not_text(tmp_path):
    (tmp_path / "case.toml").write_bytes(SMALL.encode() + b"# 20 \xb0C\n")
    with pytest.raises(CaseError, match=rf"case\.toml:{SMALL.count(chr(10)) + 1}: not UTF-8 text"):
        load_case(tmp_path / "case.toml")


def test_lines_of_every_kind_of_key():
    text = '''
title = "a # b" # c = 1
[a."b.c"]
'd e' = [1, 2,
  # x = 3
  { f = """
g = 1""", h = -1.5e3 } ]
i.j = true
[[k]]
[[k]]
l = 1979-05-27
[k.m]
n = {}
[[k.o]]
p = 'q'
'''
    tomllib.loads(text)
    lines, repeated = scan(text)
    assert repeated == []
    assert {path: line for path, line in lines.items() if path[-1] != "a"} == {
        ("title",): 2,
        ("a", "b.c"): 3,
        ("a", "b.c", "d e"): 4,
        ("a", "b.c", "d e", 0): 4,
        ("a", "b.c", "d e", 1): 4,
        ("a", "b.c", "d e", 2): 6,
        ("a", "b.c", "d e", 2, "f"): 6,
        ("a", "b.c", "d e", 2, "h"): 7,
        ("a", "b.c", "i"): 8,
        ("a", "b.c", "i", "j"): 8,
        ("k",): 9,
        ("k", 0): 9,
        ("k", 1): 10,
        ("k", 1, "l"): 11,
        ("k", 1, "m"): 12,
        ("k", 1, "m", "n"): 13,
        ("k", 1, "o"): 14,
        ("k", 1, "o", 0): 14,
        ("k", 1, "o", 0, "p"): 15,
    }


def paths(value, above=()):
    items = value.items() if isinstance(value, dict) else enumerate(value)
    for key, inner in items:
        yield (*above, key)
        if isinstance(inner, dict | list):
            yield from paths(inner, (*above, key))


pieces = st.lists(
    st.sampled_from(
        [
            "x{n} = 1",
            'x{n} = "[a]"',
            "x{n} = [[1, 2],\n[3]]",
            "x{n} = { y = 1, z = [{ w = 2 }] }",
            "x{n}.y.z = false",
            "[t{n}]",
            "[[u]]",
            "[t{n}.v]",
            "# x = 1",
            "",
            'x{n} = """a\nb"""',
            "'x {n}' = 1.5",
            "  x{n} = 'a' # b",
        ]
    )
)


@given(pieces)
def test_every_key_has_a_line_and_stands_on_it(parts):
    text = "\n".join(part.replace("{n}", str(n)) for n, part in enumerate(parts))
    lines, repeated = scan(text)
    rows = text.split("\n")
    assert repeated == []
    assert set(lines) == set(paths(tomllib.loads(text)))
    for path, line in lines.items():
        if isinstance(path[-1], str):
            assert path[-1] in rows[line - 1]


@given(st.text(alphabet="ab=[]{}.\"'#\n ,1\\", max_size=40))
def test_scan_of_any_text_ends(text):
    lines, _ = scan(text)
    assert all(1 <= line <= text.count("\n") + 1 for line in lines.values())
