import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from quietcell.config.example import example_text
from quietcell.config.lines import LineIndex, Path

FORMS = '''\
# a comment with [brackets] and "quotes
title = "x"            # a comment = with an equals sign

[site]
name = 'a # no comment'
"quoted.key" = 1
'literal [key]' = 2
"tab\\tkey" = 3
dotted.inner."last one" = 4
dotted . other = 5

[ cells . hall ]
inline = { port = "]}", list = [1, 2], deep = { x = 1 }, "q.k" = 2 }
many = [
  1,   # ] not the end
  [2, 3],
  { x = 1, y = "," },
  """
]""",
  5,
]
text = """
key = "not a key" ""\\" still text
[no.table]
"""
raw = \'\'\'
[no.table]
'' still text\'\'\'
after = 1979-05-27T07:32:00Z
quotes = """ends with two quotes """""
last_of_hall = -1.5e3

[[pump]]
name = "first"
[[pump]]
name = "second"
[pump.motor]
w = 5
[[pump.valve]]
n = 0
[[pump.valve]]
n = 1

[cells]
late = true
["cells"."quoted table"]
x = 1
'''


def expected_line(text: str, fragment: str) -> int:
    return next(n for n, line in enumerate(text.splitlines(), 1) if fragment in line)


@pytest.mark.parametrize(
    ("path", "fragment"),
    [
        (("title",), "title ="),
        (("site",), "[site]"),
        (("site", "name"), "no comment"),
        (("site", "quoted.key"), '"quoted.key"'),
        (("site", "literal [key]"), "'literal"),
        (("site", "tab\tkey"), "tab\\tkey"),
        (("site", "dotted"), "dotted.inner"),
        (("site", "dotted", "inner", "last one"), "dotted.inner"),
        (("site", "dotted", "other"), "dotted . other"),
        (("cells", "hall"), "[ cells . hall ]"),
        (("cells", "hall", "inline", "deep", "x"), "inline ="),
        (("cells", "hall", "inline", "q.k"), "inline ="),
        (("cells", "hall", "many", 0), "1,   #"),
        (("cells", "hall", "many", 1, 1), "[2, 3]"),
        (("cells", "hall", "many", 2, "y"), '{ x = 1, y = "," }'),
        (("cells", "hall", "many", 3), '  """'),
        (("cells", "hall", "many", 4), "  5,"),
        (("cells", "hall", "text"), 'text = """'),
        (("cells", "hall", "raw"), "raw ="),
        (("cells", "hall", "after"), "after ="),
        (("cells", "hall", "quotes"), "quotes ="),
        (("cells", "hall", "last_of_hall"), "last_of_hall"),
        (("pump",), "[[pump]]"),
        (("pump", 0, "name"), '"first"'),
        (("pump", 1, "name"), '"second"'),
        (("pump", 1, "motor", "w"), "w = 5"),
        (("pump", 1, "valve", 0, "n"), "n = 0"),
        (("pump", 1, "valve", 1, "n"), "n = 1"),
        (("cells", "late"), "late ="),
        (("cells", "quoted table", "x"), "x = 1\n".strip() + "\0"),
    ],
)
def test_every_form_of_key_has_its_line(path: Path, fragment: str) -> None:
    last = len(FORMS.splitlines())
    assert LineIndex(FORMS).line(path) == (last if "\0" in fragment else expected_line(FORMS, fragment))


def test_an_unwritten_key_has_the_line_of_the_table_around_it() -> None:
    index = LineIndex(FORMS)
    assert index.line(("site", "missing", "inner")) == expected_line(FORMS, "[site]")
    assert index.line(("nowhere",)) == 1


def test_the_forms_above_are_toml() -> None:
    assert tomllib.loads(FORMS)["cells"]["hall"]["quotes"] == 'ends with two quotes ""'


def scalars(value: Any, path: Path = ()) -> list[tuple[Path, Any]]:
    if isinstance(value, dict):
        return [found for key, inner in value.items() for found in scalars(inner, (*path, key))]
    if isinstance(value, list):
        return [found for i, inner in enumerate(value) for found in scalars(inner, (*path, i))]
    return [(path, value)]


KEYS = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"]), min_size=1, max_size=6)
TEXTS = st.text(st.sampled_from("ab\"'\\#[]{}=,.\n "), max_size=12)


def basic(text: str) -> str:
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n") + '"'


def multi_line(text: str) -> str:
    return '"""\n' + text.replace("\\", "\\\\").replace('"""', '""\\"').rstrip('"') + 'x"""'


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[Path, int]]:
    """Draw TOML text with the line of every key in it, written down while it is made."""
    rows: list[str] = []
    where: dict[Path, int] = {}

    def line() -> int:
        return sum(row.count("\n") + 1 for row in rows) + 1

    for table in draw(st.lists(KEYS, unique=True, max_size=4)):
        rows.extend(draw(st.lists(st.sampled_from(["", '# [x] = "', "   "]), max_size=2)))
        where[(table,)] = line()
        rows.append(f"[ {basic(table)} ]")
        for key in draw(st.lists(KEYS, unique=True, max_size=4)):
            value, text = draw(TEXTS), draw(st.sampled_from(["basic", "long", "list", "inline"]))
            path: Path = (table, key)
            where[path] = line()
            if text == "basic":
                rows.append(f"{basic(key)} = {basic(value)} # {value.split(chr(10))[0]}")
            elif text == "long":
                rows.append(f"{basic(key)}={multi_line(value)}")
            elif text == "inline":
                where[*path, key] = line()
                rows.append(f"{basic(key)} = {{{basic(key)} = {basic(value)}, b.c=1}}")
            else:
                rows.append(f"{basic(key)} = [ # ]")
                where[*path, 0] = line()
                rows.append(f"  {multi_line(value)},")
                where[*path, 1] = line()
                rows.append(f"  {basic(value)} ]")
    return "\n".join(rows), where


@given(documents())
def test_lines_are_those_the_keys_were_written_on(drawn: tuple[str, dict[Path, int]]) -> None:
    text, where = drawn
    tomllib.loads(text)
    index = LineIndex(text)
    assert {path: index.line(path) for path in where} == where


def test_in_the_example_every_key_stands_on_the_line_named() -> None:
    text = example_text()
    index, rows = LineIndex(text), text.splitlines()
    for path, _ in scalars(tomllib.loads(text)):
        key = next(part for part in reversed(path) if isinstance(part, str))
        assert key in rows[index.line(path) - 1]
