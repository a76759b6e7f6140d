"""What stands under reference/ is what a person let stand: ``held.csv`` and its command."""

import shutil
from pathlib import Path

import pytest

from junction.shelf import tables
from tests.shelf import held
from tests.shelf.reference import changed, read, replaced


def test_every_table_is_as_it_is_held():
    found = [*held.differences().values()]
    renewal = "with the source at hand: python -m tests.shelf.held TABLE ROW ..."
    assert not found, "\n".join([*found[:40], renewal])


@pytest.mark.parametrize("table", sorted(p.stem for p in tables.reference_folder().glob("*.csv")))
def test_a_change_in_any_column_is_named(table):
    """One cell in each column, each in a row of its own; the others stay unnamed."""
    _, heading, rows = read(table)
    name = heading.index(held.NAMED_BY.get(table, heading[0]))
    of = next((joined for joined, several in held.TOGETHER.items() if table in several), table)
    rows, touched = [list(row) for row in rows], set()
    for k, column in enumerate(heading):
        free = [row for row in rows if row[k] and row[name] not in touched]
        if free and k != name:
            way = held._ways(table)[column]
            free[0][k] = {"words": f"{free[0][k]} 7", "read": "0.123"}.get(way, f"{free[0][k]} x")
            touched.add(free[0][name])
    with replaced(table, rows):
        found = {key for one, key in held.differences_of(of)}
    assert found == touched


def test_a_wording_is_free_but_for_its_figures():
    """Sentences have golden files; what a number or a field in them says is held here."""
    _, heading, rows = read("sentences")
    says = heading.index("says")
    row = next(row for row in rows if "{" in row[says])
    for text, noticed in ((f"{row[says]} Or so.", 0), (f"{row[says]} Or 2.", 1),
                          (row[says].replace("{", "("), 1), ("", 1)):  # fmt: skip
        with changed("sentences", row[0], {"says": text}):
            assert len(held.differences_of("sentences")) == noticed, text


def test_a_row_that_goes_comes_or_moves_is_noticed():
    _, _, rows = read("numbers")
    for other, noticed in ((rows[1:], "gone"), ([*rows, ["X1", *rows[0][1:]]], "a new row"),
                           (rows[::-1], "another order")):  # fmt: skip
        with replaced("numbers", other):
            assert noticed in " ".join(held.differences_of("numbers").values())


@pytest.fixture
def a_copy(tmp_path, monkeypatch):
    monkeypatch.setattr(held, "FILE", Path(shutil.copy(held.FILE, tmp_path)))
    monkeypatch.delenv("CI", raising=False)


def test_a_row_is_renewed_by_name_and_what_changes_is_read(a_copy, capsys):
    with changed("rules", "short_below", {"value": "500"}), changed("rules", "open_above", {"value": "5e5"}):
        assert held.main([]) == 0
        assert "rules open_above: value=1000000.0 -> value=5e5" in capsys.readouterr().out
    with changed("rules", "short_below", {"value": "500"}):
        assert held.main(["rules", "short_below"]) == 0
        assert "rules short_below: value=50 -> value=500" in capsys.readouterr().out
        assert not held.differences_of("rules")
    assert [*held.differences_of("rules")] == [("rules", "short_below")]  # and no other row was renewed


def test_no_machine_renews_and_no_row_unnamed(a_copy, capsys, monkeypatch):
    assert held.main(["rules", "no_such_rule"]) == held.main(["no_such_table", "x"]) == 2
    monkeypatch.setenv("CI", "true")
    before = held.FILE.read_bytes()
    with changed("rules", "short_below", {"value": "500"}):
        assert held.main(["rules", "short_below"]) == 2 and "by a person" in capsys.readouterr().err
    assert held.FILE.read_bytes() == before
