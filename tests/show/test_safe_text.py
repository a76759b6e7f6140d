"""Names from outside: control characters, formulas, markup; and the strict JSON."""

import csv
import io
import json

import numpy as np
import pytest

from junction.base.records import Interval
from junction.show import blocks as b
from junction.show.blocks import (
    bare,
    coloured,
    column_widths,
    display_width,
    file_stem,
    paint_for,
    table_text,
    visible,
)
from junction.show.page import page, tag
from junction.show.write import csv_text, document, safe_cell
from tests import documents
from tests.rows import every_row


@every_row(("text", "shown"), [
    ("A07", "A07"), ("\x1b[2J", "\\x1b[2J"), ("a\nb", "a\\x0ab"), ("\u202eevil", "\\u202eevil"),
    ("a\u00a0b", "a b"), ("\udc80", "\\udc80"), ("Ω µ ü", "Ω µ ü"),
])  # fmt: skip
def test_visible(text, shown):
    assert visible(text) == shown


@every_row("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\tx", "\rx", "  =x", "＝1"])
def test_formula_like_text_is_neutralised(text):
    cell = safe_cell(text)
    assert cell.startswith("'") and not any(c in cell for c in "\t\r")


def test_csv_round_trip_keeps_numbers_numbers():
    text = csv_text(["part", "x"], [["=A1", -1.5e-9], ["b,\"c", float("nan")], ["d", True]])
    rows = list(csv.reader(io.StringIO(text)))
    assert rows == [["part", "x"], ["'=A1", "-1.5e-09"], ['b,"c', ""], ["d", "yes"]]


def test_markup_is_escaped_everywhere():
    evil = "<script>alert(1)</script>\x1b\"'"
    body = [tag("p", evil, title=evil), b.table(b.columns(evil), [[evil]]), b.bullets([evil], evil),
            b.section((evil, b.Badge("good", evil)), [b.text(b.Link(evil, "p1"))])]  # fmt: skip
    text = page(evil, body)
    assert "<script" not in text and "\x1b" not in text
    # title, text, attribute; heading, the table called so, cell; list and item; section, badge, link
    assert text.count("&lt;script&gt;") == 12


def test_json_is_strict():
    text = "".join(document("sort", {
        "nan": float("nan"), "inf": [np.inf, -np.inf], "array": np.array([1.0, np.nan]), "i": np.int64(3),
        "it": Interval(float("nan"), 0.0, np.inf, "V"), "name": "\udc80µ\x1b", "t": (1, 2),
    }))  # fmt: skip
    text.encode("utf-8")  # no lone surrogate is left

    def refuse(token):
        raise AssertionError(f"{token} is not JSON")

    read = json.loads(text, parse_constant=refuse)
    assert list(read)[:2] == ["format", "command"] and read["format"] == 1
    assert read["nan"] is None and read["inf"] == [None, None] and read["array"] == [1.0, None]
    assert read["it"] == {"value": None, "low": 0.0, "high": None} and read["name"] == "\udc80µ\x1b"
    with pytest.raises(TypeError):
        list(document("sort", {"x": object()}))
    documents.found.clear()  # these are no documents of a command


def test_table_stays_within_its_width():
    rows = [["x" * 30, "word " * 40, "9"], ["宽字符" * 9, "Ü" * 50, "10"]]
    columns = b.columns("part", "why", "n", right=("n",), wrap=("why",))
    for width in (40, 60, 80, 120):
        lines = table_text(b.table(columns, rows), width).split("\n")
        assert max(display_width(line) for line in lines) <= width
        assert sum(column_widths(columns, rows, width)) + 4 <= width
    assert "word word" in lines[2]


def test_nothing_is_lost_by_wrapping():
    text = "A sentence of evidence that is longer than the column it is put in, by far."
    lines = table_text(b.table(b.columns("part", "why", wrap=("why",)), [["A", text]]), 40).split("\n")[2:]
    assert " ".join(line[6:].strip() for line in lines) == text


def test_right_columns_align():
    lines = table_text(b.table(b.columns("n", right=("n",)), [["1"], ["1000"]]), 80).split("\n")
    assert [len(line) for line in lines[2:]] == [4, 4] and lines[2] == "   1"


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_colour_only_on_a_terminal(monkeypatch):
    monkeypatch.delenv("NO_COLOR", raising=False)
    monkeypatch.setenv("TERM", "xterm")
    assert paint_for(Terminal()) is coloured and paint_for(io.StringIO()) is bare
    monkeypatch.setenv("NO_COLOR", "1")
    assert paint_for(Terminal()) is bare
    monkeypatch.delenv("NO_COLOR")
    monkeypatch.setenv("TERM", "dumb")
    assert paint_for(Terminal()) is bare


def test_colour_adds_nothing_but_escapes():
    import re

    rows = [[b.Badge("shorted"), "1"], [b.Badge("good"), "22"]]
    table = b.table(b.columns("verdict", "n", right=("n",)), rows)
    plain, painted = table_text(table), table_text(table, paint=coloured)
    assert painted != plain and re.sub(r"\x1b\[[0-9;]*m", "", painted) == plain


def test_file_stem():
    assert file_stem("../../etc/passwd") == "_.._etc_passwd" and file_stem("") == "part"
    assert file_stem("..") == "part"
