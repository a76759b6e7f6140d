"""What is ordered for a judged bag, what waits, and what stands in its place."""

import csv
import json

import pytest

import junction
from junction.cli.main import main
from junction.judge.results import Device, PartVerdict, Verdict
from junction.replace.order import order_of
from junction.shelf.types import type_shelf
from junction.show.blocks import terminal_text
from junction.views import order as view


def bad(part, type_, verdict="shorted", device=None, **told):
    """A judged part, found bad unless something else is said."""
    faults = () if verdict in ("good", "undecided") else (f"CE {verdict}",)
    return PartVerdict(
        part, Verdict(verdict), {}, device or Device(), type=type_, **{"faults": faults, **told}
    )


def row_of(type_, *more):
    return order_of([bad("Q1", type_), *more]).rows[0]


def test_who_is_ordered_and_who_waits():
    order = order_of([
        bad("Q1", "2N3055"), bad("Q2", "2n3055", "leaky"), bad("Q3", "2N3055", "undecided"),
        bad("Q4", "2N3055", "good"), bad("Q5", "BC547B", "open"), bad("Q6", "", "open"),
        bad("Q7", "MJ2955", in_circuit=True), bad("Q8", "", "undecided"),
        bad("Q9", "2N3055", device=Device("bjt", "PNP")), bad("D1", "2N3055", device=Device("diode")),
        bad("Q10", "BC547B", device=Device(called="a MOSFET")), bad("Q11", "MJ2955", "good", in_circuit=True),
    ])  # fmt: skip
    rows = [(row.type, row.parts, row.faults, row.undecided) for row in order.rows]
    assert rows == [
        ("2N3055", ("Q1", "Q2"), ("CE shorted", "CE leaky"), 1), ("MJ2955", (), (), 0),
        ("BC547B", ("Q5",), ("CE open",), 0),
    ]  # fmt: skip
    waiting = order.undecided, order.in_circuit, order.untyped, order.misread
    assert waiting == (("Q3", "Q8"), ("Q7",), ("Q6",), ("Q9", "D1", "Q10"))
    assert view.remarks(order)[-1] == (
        "Not listed: 2 more if the next test says so; 1 in circuit: lift a lead first; 1 without a type;"
        " Q9, D1, Q10: not what the marking says, read it again."
    )


def test_nothing_is_ordered_where_nothing_is_sure():
    waiting = [bad("Q1", "2N3055", "undecided"), bad("Q2", "2N3055", in_circuit=True), bad("Q3", "", "good")]
    assert order_of(waiting) is None
    untyped = order_of([bad("Q1", "", "open")])
    said = [block for block in view.short_list(untyped)]
    assert untyped.rows == () and terminal_text(said) == (
        "\nA type column names what to order and its substitutes."
    )


def test_each_gain_group_is_a_row_and_spellings_of_a_type_are_one():
    order = order_of([bad("Q1", "2SC1815GR"), bad("Q2", "2SC1815Y"), bad("Q3", "2sc1815-gr"),
                      bad("Q4", "MRX 77"), bad("Q5", "mrx-77")])  # fmt: skip
    assert {row.type: row.parts for row in order.rows} == {
        "2SC1815GR": ("Q1", "Q3"), "MRX 77": ("Q4", "Q5"), "2SC1815Y": ("Q2",)
    }  # fmt: skip


def test_a_gain_group_that_the_shelf_has_not_is_ordered_all_the_same():
    order = order_of([bad("Q1", "BC547"), bad("Q2", "2SC5200-O"), bad("Q3", "C5200 (O)")])
    assert [(row.type, row.parts, row.to_order) for row in order.rows] == [
        ("2SC5200O", ("Q2", "Q3"), 2), ("2SA1943-O", (), 2), ("BC547", ("Q1",), 1)]  # fmt: skip
    assert "The gain group O of 2SC5200 is not on the shelf" in order.rows[0].notes[0]


def test_what_falls_short_of_a_rating_is_not_offered():
    """No 800 V rectifier for one of 1,000 V, however near it comes (1N5407 for 1N5408: JEDEC, 800 V)."""
    (row,) = order_of([bad("D1", "1N5408")]).rows
    assert [one.candidate for one in row.substitutes] == ["UF5408"]
    assert all(one.result in ("meets", "exceeds", "not known") for one in row.substitutes)


# registered types of the shelf: what must be said of each, and what its first substitute must keep
@pytest.mark.parametrize(("type_", "what", "complement", "first"), [
    ("2N3055", "NPN 60 V 15 A 115 W, TO-3", "MJ2955", ("V_CEO", "I_C", "P_tot")),
    ("BD139", "NPN 80 V 1.5 A 12.5 W, TO-126", "", ("V_CEO", "I_C")),  # a driver: no side of an output stage
    ("BC547B", "NPN 45 V 100 mA 500 mW, TO-92", "", ("V_CEO", "I_C")),
    ("1N4733A", "Zener 5.1 V 1 W, DO-41", "", ("P_tot",)),
    ("1N4004", "rectifier 400 V 1 A, DO-41", "", ("V_RRM", "I_F")),
])  # fmt: skip
def test_a_type_is_told_by_what_it_is_bought_by(type_, what, complement, first):
    row = row_of(type_)
    assert (row.type, row.what, row.complement, row.on_shelf) == (type_, what, complement, True)
    own, other = (type_shelf().find(name) for name in (type_, row.substitutes[0].candidate))
    assert 2 <= len(row.substitutes) <= 3 and all(one.why for one in row.substitutes)
    assert all(other.rating(symbol) >= own.rating(symbol) for symbol in first)
    assert (other.polarity, other.package_class) == (own.polarity, own.package_class)


def test_substitutes_of_an_output_device_come_with_their_other_side():
    row = row_of("2SC5200")
    assert row.complement == "2SA1943"
    for one in row.substitutes:
        assert type_shelf().find(one.pair).complement == one.candidate
    assert "fit both sides new and matched: 2SC5200 with 2SA1943" in row.notes


def test_a_pair_is_said_once_and_neighbours_of_shorted_power_transistors():
    order = order_of([bad("Q1", "MJ2955", "open"), bad("Q2", "2N3055"), bad("Q3", "BC547B"),
                      bad("Q4", "2SA1943-O", "open"), bad("Q5", "2SC5200-O", "open")])  # fmt: skip
    assert view.remarks(order) == [
        "Fit both sides new and matched: 2N3055 with MJ2955, 2SC5200O with 2SA1943-O.",
        "Before a power transistor goes in, test the neighbours of Q2 (page, verdicts.csv).",
    ]


def test_as_many_of_each_side_of_a_pair_are_ordered():
    three = [bad(f"Q{k}", "2SC5200") for k in range(3)]
    order = order_of([*three, bad("Q9", "2SA1943"), bad("Q8", "TIP35C")])
    assert [(row.type, len(row.parts), row.to_order, row.other_side_of) for row in order.rows] == [
        ("2SC5200", 3, 3, ""), ("2SA1943", 1, 3, ""), ("TIP35C", 1, 1, ""), ("TIP36C", 0, 1, "TIP35C"),
    ]  # fmt: skip
    text = terminal_text(view.short_list(order))
    assert "3 2SA1943" in text and "1 TIP36C" in text and "the other side" in text


def test_cautions_in_a_word():
    said = [note.partition(",")[0] for note in row_of("AC128").notes]
    assert said == ["germanium: old stock", "figures from reference pages"]
    assert "1 AC128 (germanium)" in terminal_text(view.short_list(order_of([bad("Q1", "AC128")])))


def test_a_type_that_is_not_on_the_shelf_is_ordered_by_its_number():
    for type_, said in (("2N2222X", "order by its number; near: 2N2222"), ("IRF540", "a power MOSFET")):
        row = row_of(type_)
        assert not row.on_shelf and row.substitutes == () and said in row.notes[0], row.notes
        assert view.one_line(order_of([bad("Q1", type_)])) == ""


def test_a_long_list_is_cut_on_a_terminal_and_whole_elsewhere():
    names = ["BC547B", "BC557B", "2N3904", "2N3906", "BD139", "BD140", "BC546B", "BC556B", "2N3055",
             "1N4148", "1N4733A"]  # fmt: skip
    order = order_of([bad(f"Q{k}-{n}", name) for k, name in enumerate(names) for n in range(3)])
    text = terminal_text(view.short_list(order))
    lines = text.split("\n")
    assert max(map(len, lines)) <= 80 and "4 more types; --all lists them." in lines
    assert sum(line.startswith("3 ") for line in lines) == 8, "one line a type"
    assert all(f"3 {name}" in terminal_text(view.short_list(order, True)) for name in names)
    headings, rows = view.table(order)
    assert [row[0] for row in rows if row[1]] == names and all(len(row) == len(headings) for row in rows)


READINGS = """part,type,B-E,E-B,B-C,C-B,C-E,E-C
Q1,2N3055,0.532,OL,0.533,OL,0.000,0.000
Q2,BC547B,OL,OL,0.636,OL,OL,OL
Q3,BC547B,0.640,OL,0.636,OL,OL,OL
Q4,,OL,OL,0.636,OL,OL,OL
"""


def test_the_command_line_writes_the_list(tmp_path, capsys):
    (tmp_path / "bag.csv").write_text(READINGS)
    assert main(["sort", str(tmp_path / "bag.csv"), "-o", str(tmp_path / "report")]) == 0
    out = capsys.readouterr().out
    assert "order     2N3055, MJ2955, BC547B" in out and "Not listed: 1 without a type." in out
    whole = junction.sort(tmp_path / "bag.csv").text(more=True)
    shown = whole[whole.index("to order") :]
    assert "1 2N3055" in shown and "1 BC547B" in shown and "Not listed: 1 without a type." in shown
    rows = list(csv.DictReader((tmp_path / "report" / "order.csv").read_text().splitlines()))
    assert [(row["type"], row["count"], row["parts"]) for row in rows] == [
        ("2N3055", "1", "Q1"), ("MJ2955", "0", ""), ("BC547B", "1", "Q2"),
    ]  # fmt: skip
    assert rows[0]["complement"] == "MJ2955" and rows[0]["substitute_1"] and rows[0]["why_1"]
    told = json.loads((tmp_path / "report" / "sort.json").read_text())["order"]
    assert [row["type"] for row in told["types"]] == ["2N3055", "MJ2955", "BC547B"]
    assert told["untyped"] == ["Q4"]
    page = (tmp_path / "report" / "sort.html").read_text()
    assert "To order" in page and rows[0]["substitute_1"] in page
    assert list(junction.sort(tmp_path / "bag.csv").to_frame("order")["to_order"]) == [1, 1, 1]


def test_check_says_what_to_order_in_a_line_of_a_bad_part_alone():
    shorted = {"B-E": 0.532, "E-B": "OL", "B-C": 0.533, "C-B": "OL", "C-E": 0.0, "E-C": 0.0}
    told = junction.check(shorted, type="2N3055")
    assert "order     2N3055 with MJ2955, both sides new and matched; else MJ" in told.text()
    sound = {**shorted, "C-E": "OL", "E-C": "OL"}
    for one in (junction.check(sound, type="2N3055"), junction.check(shorted)):
        assert "\norder " not in one.text()
