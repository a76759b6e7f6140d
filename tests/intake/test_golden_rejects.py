"""Set-aside lists of a folder of bad files, word for word.

To accept a wanted change of wording: ``python -m tests.intake.test_golden_rejects --write``, then read the
difference before it is committed.
"""

import csv
import io
import sys
from pathlib import Path

from junction.base.errors import InputError
from junction.intake.read import read_paths
from tests.intake.helpers import check_sum, read_texts
from tests.rows import every_row

BAD = Path(__file__).parent / "data" / "bad"
GOLDEN = Path(__file__).parents[1] / "golden" / "intake"
FILES = sorted(path.name for path in BAD.glob("*.csv"))
ANCHOR = ("good.csv", b"part,A-K\nanchor,0.58\n")


def listing(name):
    """Set-aside list of one file read beside a good one, as CSV, with the row counts at its end."""
    bag = read_texts([ANCHOR, (name, (BAD / name).read_bytes())])
    check_sum(bag)
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["row", "rows", "column", "value", "reason"])
    for s in bag.set_aside:
        assert s.file == name
        table.writerow(["" if s.row is None else s.row, s.rows, s.column, s.value, s.reason])
    out.write(f"# rows read {bag.rows_read - 1}, used {bag.rows_used - 1}\n")
    return out.getvalue()


@every_row("name", FILES)
def test_set_aside_list_is_the_golden_one(name):
    assert listing(name) == (GOLDEN / name).read_text(encoding="utf-8")


@every_row("name", FILES)
def test_line_numbers_are_those_of_the_file(name):
    lines = (BAD / name).read_bytes().decode("latin-1").split("\n")
    bag = read_texts([ANCHOR, (name, (BAD / name).read_bytes())])
    for s in bag.set_aside:
        if s.row is not None and s.value.isascii() and s.rows <= 1 and not s.value.endswith(" V"):
            assert s.value in lines[s.row - 1]


def test_the_golden_folder_holds_no_strays():
    assert sorted(path.name for path in GOLDEN.iterdir()) == FILES


def test_the_whole_folder_in_one_call():
    bag = read_paths([BAD])
    check_sum(bag)
    assert len(bag.files) == len(FILES)
    assert sum(len(listing(name).splitlines()) - 2 for name in FILES) <= len(bag.set_aside)


def test_each_file_alone_gives_one_line_or_a_bag():
    for name in FILES:
        try:
            check_sum(read_paths([BAD / name]))
        except InputError as error:
            assert name in str(error) and "\n" not in str(error)


if __name__ == "__main__" and "--write" in sys.argv:
    from tests.golden.renewing import refuse_in_ci

    refuse_in_ci()
    GOLDEN.mkdir(parents=True, exist_ok=True)
    for file in FILES:
        (GOLDEN / file).write_text(listing(file), encoding="utf-8")
