"""Quotes are taken out only where the table stays the same, cell for cell."""

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from junction.intake.quotes import without_quotes


@pytest.mark.parametrize(
    ("text", "bare"),
    [
        (b'"a","b"\n"1","2"\n', b"a,b\n1,2\n"), (b'"a",1\n"b",2', b"a,1\nb,2"),
        (b'a,""\n"",b\n', b"a,\n,b\n"),
        (b'"\xc3\xa9",1\n', b"\xc3\xa9,1\n"),
        (b'"a,b",1\n', None), (b'"a\nb",1\n', None), (b'"a""b",1\n', None), (b'a"b,1"c\n', None),
        (b'"a,1\n', None),
        (b'"#a",1\n', None), (b'x,1\n"#a",1\n', None), (b' "a",1\n', None), (b'"a" ,1\n', None),
        (b'"a"b,"c"\n', None),
    ],
)  # fmt: skip
def test_quotes_that_may_go_and_quotes_that_mean_something(text, bare):
    assert without_quotes(text, 0, ",") == bare
    heading = b"part,v\n"
    assert without_quotes(heading + text, len(heading), ",") == (None if bare is None else heading + bare)


@given(st.text('ab1,"\n;# ', max_size=40), st.sampled_from(",;"))
def test_what_comes_back_is_the_same_table(text, sep):
    """The standard library's CSV reader is the judge; a row without a single character is no row."""

    def table(content):
        return [row for row in csv.reader(io.StringIO(content, newline=""), delimiter=sep) if any(row)]

    bare = without_quotes(text.encode(), 0, sep) if '"' in text else None
    if bare is not None:
        assert table(bare.decode()) == table(text)
