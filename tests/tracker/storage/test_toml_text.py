"""TOML of others: refused before a parser that takes time or memory without bound sees it.

TOML 1.0.0 (toml.io) for what a key, a string and a whole number may be; the cases are those of an
attack on version 0.1.0.
"""

from __future__ import annotations

import json
import time
import tomllib

import pytest

from tracker.storage.toml_text import TooDeepError, check_bounds, plain_tables, toml_tables


@pytest.mark.parametrize(
    "text",
    [
        "a." * 20_000 + "b = 1",
        '"a\\"b".' * 8000 + "c = 1",  # a quote behind a backslash ends no key
        "'a\\'.b." * 8000 + "c = 1",  # in a literal string it does
        '"#". ' * 8000 + "c = 1",
        "[" + "a . " * 8000 + "b]",
        "x = {" + "a." * 8000 + "b = 1}",
        "x = " + "[" * 5000 + "]" * 5000,
        "x = " + "{a=" * 800 + "1" + "}" * 800,
        'x = """a\\"""" # "\ny = ' + "[" * 5000,
        "x = '''a''''' # '''\ny = " + "[" * 5000,
        "x = " + "9" * 5000,
        "x = 0x" + "f" * 6000,
        "\n".join(f"a.b.c.k{i} = 1" for i in range(20_000)),
    ],
)
def test_what_costs_more_than_its_length_is_refused_at_once(text):
    begun = time.process_time()
    with pytest.raises(TooDeepError):
        toml_tables(text)
    assert time.process_time() - begun < 2.0


def test_a_long_text_takes_a_time_in_proportion():
    """2 MiB of what makes the pass look longest: within the time that the parser itself takes."""
    text = "\n".join(f'k{i} = ["a.b", 1.5] # [[[' for i in range(70_000))
    begun = time.process_time()
    check_bounds(text)
    scanned = time.process_time() - begun
    tomllib.loads(text)
    assert scanned < 5 * (time.process_time() - begun - scanned) + 0.5


@pytest.mark.parametrize(
    "text",
    [
        'x = "' + "[" * 1000 + "." * 1000 + '"',
        "x = '''\n" + "[" * 1000 + "\n'''",
        'x = """\n' + "a." * 1000 + '\\"""' + '\n"""',
        "# " + "[" * 1000 + "a." * 1000,
        '"' + "a." * 1000 + '" = 1',
        "x = " + "[" * 16 + "]" * 16,
        "a.b.c.d.e.f.g.h = 1",
        "x = [" + "1.5, " * 5000 + "]",
        'x = """""a"""""\ny = [[1]]',
    ],
)
def test_what_stands_in_quotes_or_behind_a_hash_is_not_counted(text):
    assert toml_tables(text) == tomllib.loads(text)


def test_the_line_is_reported():
    with pytest.raises(TooDeepError) as error:
        toml_tables("a = 1\nb = '''\n\n'''\nc = " + "9" * 5000)
    assert error.value.line == 5


def test_every_value_has_a_form_that_json_knows():
    text = "a = nan\nb = [inf, -inf]\nc = {d = 0xffffffffffffffffffff}\ne = 1979-05-27\nf = true"
    found = json.loads(json.dumps(plain_tables(toml_tables(text)), allow_nan=False))
    assert found["a"] == "nan"
    assert found["b"] == ["inf", "-inf"]
    assert found["c"]["d"] == "0xffffffffffffffffffff"
    assert found["e"] == "1979-05-27"
    assert found["f"] is True
