"""The deliberate bugs are the ones asked for, and none is written where it would be none."""

import ast

from tests.benchmarks.mutants import applied, candidates, equivalents, statements

SOURCE = b'''\
"""Text of a module is left alone: 1.0 + 2.0."""
TABLE = [("a", 1), ("b", 2)]
def f(x: float = 2.0, *, on: bool = True) -> str:
    if not x and on or x <= 3:
        raise ValueError(f"{x + 1}")
    y = max(g(x, on), x * 2.0 - x / 3)
    y += h(x, place="here")[0]
    return "more"
'''


def test_each_kind_of_bug_is_drawn_and_is_one():
    found = {}
    for s in statements("junction/room/a.py", SOURCE):
        for m in candidates(s, SOURCE):
            assert ast.dump(ast.parse(applied(m, SOURCE))) != ast.dump(ast.parse(SOURCE))
            found.setdefault((s.line, m.kind), []).append(m.change)
    assert found[2, "entry dropped"] == [
        '[("a", 1), ("b", 2)] -> [("b", 2)]', '[("a", 1), ("b", 2)] -> [("a", 1)]']  # fmt: skip
    assert found[3, "constant"] == [
        "def f(x: float = 2.0 -> def f(x: float = 2.1", "2.0, *, on: bool = True -> 2.0, *, on: bool = False"]
    assert found[4, "negated"] == ["not x and on or x <= 3 -> (not (not x and on or x <= 3))"]
    assert found[4, "not removed"] == ["not x -> (x)"]
    assert found[4, "operator"] == [
        "not x and on or x <= 3 -> (not x and on and x <= 3)", "not x and on -> (not x or on)",
        "x <= 3 -> (x > 3)", "x <= 3 -> (x < 3)"]  # fmt: skip
    assert found[4, "body skipped"] == ['raise ValueError(f"{x + 1}") -> pass']
    assert found[6, "other end"] == ["max -> min"]
    assert found[6, "arguments swapped"] == ["x, on -> on, x"]  # of a maximum the order is nothing
    assert found[6, "term dropped"] == ["x * 2.0 - x / 3 -> (x * 2.0)"]
    assert found[6, "factor dropped"] == ["x * 2.0 -> (x)", "x * 2.0 -> (2.0)", "x / 3 -> (x)"]
    assert found[7, "keyword dropped"] == ['h(x, place="here") -> h(x)']
    assert (7, "constant") not in found  # an index
    assert found[7, "operator"] == ['y += h(x, place="here")[0] -> y -= h(x, place="here")[0]']
    assert found[7, "statement dropped"] == ['y += h(x, place="here")[0] -> pass']
    assert found[8, "return"] == ['"more" -> None']  # what the function returns is not known here


def test_every_mutant_left_out_has_its_reason():
    for (file, _, change), why in equivalents().items():
        assert " -> " in change and len(why.split()) >= 5, (file, change)
