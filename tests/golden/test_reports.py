"""What real commands say, write and draw is what was kept, and every figure stands where people look for it.

After an intended change ``python -m tests.golden.reports`` writes the reports anew and prints what moved.
"""

import pytest

from junction.show.blocks import visible
from tests.golden import presence, reports
from tests.golden.report_cases import CASES
from tests.show.trace import untraced


@pytest.fixture(scope="module")
def now():
    return dict(reports.today())


def test_reports_are_the_kept_ones(now):
    found = {name: reports.difference(name, reports.kept(name), files) for name, files in now.items()}
    lines = [line for its in found.values() for line in its[: reports.MOST_LINES]]
    assert not lines, "\n".join([*lines, f"{sum(map(len, found.values()))} lines of difference in all"])
    assert {*reports.FOLDER.iterdir()} == {reports.place(name) for name in now}


def test_the_comparison_lets_nothing_through_but_last_digits():
    """It can fail: a changed letter, a figure as it is shown, a line or a file less."""
    old = {"a.csv": "part,V\nQ1,0.655\nQ2,0.123456789012\n"}
    for new, same in (
        (old["a.csv"].replace("789012", "789013"), True), (old["a.csv"].replace("1234567", "1235567"), False),
        (old["a.csv"].replace("6789012", "679"), True), (old["a.csv"].replace("6789012", ""), False),
        (old["a.csv"].replace("0.655", "0.656"), False), (old["a.csv"].replace("Q1", "Q3"), False),
        (old["a.csv"].replace("Q1,0.655\n", ""), False), (old["a.csv"].replace("0.655", ""), False),
    ):  # fmt: skip
        assert (reports.difference("x", old, {"a.csv": new}) == []) is same, new
    assert reports.difference("x", old, {}) and reports.difference("x", old, old | {"b.csv": ""})


def test_every_figure_stands_where_it_must(now):
    """`shown.csv`: on the page, on a terminal with --more, in a table."""
    table = presence.shown_table()
    seen, missing = set(), []
    for name in CASES:
        command = name.split()[0]
        wanted = {key: [place for place in presence.PLACES if row[place]]
                  for (of, key), row in table.items() if of == command}  # fmt: skip
        for key, place, values in presence.missing(command, now[name], wanted):
            missing.append(f"{name}: {key} is not in {place}: {len(values)}, as {str(values[0])[:80]!r}")
        seen |= {(command, key) for key, _ in presence.leaves(presence.document(command, now[name]))}
    assert not missing, "\n".join(missing)
    assert not table.keys() - seen, "no report shows them any more"


def test_the_search_would_miss_what_is_taken_away(now):
    """It can fail: a figure less on the page, in the text and in the table is found to be missing."""
    files, key = now["match"], "sets[].imbalance_idle.value"
    row = presence.shown_table()["match", key]
    wanted = {key: [place for place in ("page", "csv") if row[place]]}
    value = presence.document("match", files)["sets"][0]["imbalance_idle"]["value"]
    without = files | {"match.html": files["match.html"].replace(repr(value), "0"),
                       "sets.csv": files["sets.csv"].replace(f"{value:.9g}", "")}  # fmt: skip
    assert [at[:2] for at in presence.missing("match", without, wanted)] == [(key, "page"), (key, "csv")]
    assert presence.missing("match", files, wanted) == []


def test_every_number_on_a_page_is_in_its_json(now):
    """Of the jobs that judge what was measured; the others work figures out for the page, as ratios."""
    for name in (name for name in CASES if name.split()[0] in ("check", "sort", "fit") or name == "match"):
        command, files = name.split()[0], now[name]
        assert untraced(files[f"{command}.html"], files[f"{command}.json"], visible) == [], name
