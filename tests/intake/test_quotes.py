"""A quoted file is the same table as the file without the quotes, on whichever road it is read."""

import dataclasses

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from junction.intake import points as points_module
from junction.intake.points import read_points
from junction.intake.table import open_text
from tests.intake.helpers import bag_of
from tests.rows import every_row

ROWS = ["Q1,BE,0.1,1e-9", "Q1,BE,0.2,2e-9", "Q1,BE,0.3,5e-9", "Q2,AK,-1,-1e-9", "Q2,AK,0.6,1e-3"]


def sweeps(rows, quoted):
    lines = [",".join(f'"{c}"' if q else c for c, q in zip(r.split(","), quoted, strict=True)) for r in rows]
    return "\n".join(["part,junction,v_V,i_A", *lines])


@every_row("end", ["", "\n", "\n\n", "\n# switched off\n", '\n"Q3","BE","0.1"\n'])
@every_row("quoted", [(1, 1, 0, 0), (1, 1, 1, 1), (0, 0, 0, 1)])
def test_quotes_change_nothing(quoted, end):
    plain = bag_of(sweeps(ROWS, (0, 0, 0, 0)) + end.replace(chr(34), ""))
    other = bag_of(sweeps(ROWS, quoted) + end)
    for field in dataclasses.fields(plain.sweeps):
        np.testing.assert_array_equal(getattr(plain.sweeps, field.name), getattr(other.sweeps, field.name))
    assert [s.reason for s in plain.set_aside] == [s.reason for s in other.set_aside]


def test_a_regular_quoted_file_takes_the_fast_road(monkeypatch):
    def never(*_):
        raise AssertionError("the careful road was taken")

    monkeypatch.setattr(points_module, "careful_points", never)
    assert read_points(open_text("f.csv", sweeps(ROWS, (1, 1, 1, 1)).encode()), [])[2] == len(ROWS)


@given(st.lists(st.text('ab1,"# ', max_size=12), min_size=1, max_size=5))
def test_quoted_part_names_come_out_as_they_went_in(names):
    """Separators, quotes and blanks inside, as the standard library's CSV writer would quote them."""
    rows = [f'"{name.replace(chr(34), chr(34) * 2)}",BE,{v},1e-3' for name in names for v in (0.1, 0.2)]
    bag = bag_of("\n".join(["part,junction,v_V,i_A", *rows, "anchor,BE,0.1,1", "anchor,BE,0.2,1"]))
    found = dict.fromkeys(name.strip() for name in names if name.strip())
    assert set(bag.sweeps.part) - {"anchor"} == set(found)
