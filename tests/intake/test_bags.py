"""Bags as people write them: common practice, no source."""

from junction.base.records import split_placement
from junction.jobs.sort import sort
from tests.intake.helpers import bag_of, readings
from tests.rows import every_row

FOUR = {"B-E": ("volt", 0.65), "E-B": ("over", None), "B-C": ("volt", 0.64), "C-B": ("over", None)}


def seen(bag, part="Q1"):
    read = readings(bag, part).items()
    return {name: (kind, None if kind == "over" else value) for name, (kind, value) in read}


@every_row(
    "tag",
    ["Part No.", "part no", "No", "No.", "Nr.", "Ref", "Ref.", "Ref des", "id", "ID", "name", "Q", "#",
     "Item", "Label", "Device", "part_number"],
)  # fmt: skip
def test_headings_of_the_part(tag):
    bag = bag_of(f"{tag},B-E,E-B,B-C,C-B\nQ1,0.65,OL,0.64,OL\n")
    assert seen(bag) == FOUR and not bag.set_aside


@every_row("row", ["BE,EB,BC,CB", "be,eb,bc,cb", "B E,E B,B C,C B", "B/E,E/B,B/C,C/B", "B-E (V),E-B,BC V,CB"])
def test_headings_of_placements(row):
    bag = bag_of(f"Ref,{row}\nQ1,0.65,OL,0.64,OL\n")
    assert seen(bag) == FOUR and not bag.set_aside


@every_row(
    ("headings", "part"),
    [
        ("No,part,B-E", "Q1"), ("part,No,B-E", "9"), ("#,Ref,B-E", "Q1"), ("No,Part No.,B-E", "Q1"),
        ("id,No,B-E", "9"),
    ],
)  # fmt: skip
def test_the_surest_of_two_headings_names_the_parts(headings, part):
    bag = bag_of(f"{headings}\n9,Q1,0.65\n")
    assert [p.part for p in bag.readings] == [part]
    (entry,) = bag.set_aside
    assert entry.rows == 0 and "the parts are named by the column" in entry.reason


def test_a_number_sign_is_a_heading_only_where_it_makes_the_table():
    bag = bag_of("# bag of March\n#,BE,EB\n1,0.65,OL\n# remark\n#2,0.64,OL\n")
    assert [p.part for p in bag.readings] == ["1", "#2"] and not bag.set_aside
    bag = bag_of("#,BE,EB\npart,EB,BE\n1,0.65,OL\n")
    assert seen(bag, "1") == {"E-B": ("volt", 0.65), "B-E": ("over", None)}
    bag = bag_of("sep=;\n#;BE;EB\n1;0,65;OL\n")
    assert seen(bag, "1") == {"B-E": ("volt", 0.65), "E-B": ("over", None)}


def test_a_row_short_of_trailing_cells_keeps_its_readings_and_is_said_once():
    bag = bag_of("part,B-E,E-B,note\nQ1,0.65,OL\nQ2,0.65\nQ3,0.65,OL,\nQ4,0.6\n")
    assert [len(p.readings) for p in bag.readings] == [2, 1, 2, 1]
    (entry,) = bag.set_aside
    assert (entry.row, entry.rows) == (3, 0) and "1 more rows, down to line 5" in entry.reason


def test_not_measured_is_said_in_several_ways():
    bag = bag_of("part,type,B-E,E-B,B-C,C-B,hFE\nQ1,-,0.65,-,,n/a,-\n")
    assert seen(bag) == {"B-E": ("volt", 0.65)} and not bag.set_aside and bag.readings[0].type == ""


def test_the_reason_at_the_part_is_the_cells_own():
    bag = bag_of("part,B-E,E-B\nQ1,0.65,OL\nQ2,0.65,xyz\nQ3,34,OL\n")
    (_, two, three) = bag.readings
    assert two.refused == ("E-B",) and three.refused == ("B-E",)
    assert two.refused_why[0].startswith("line 3, E-B: 'xyz' is not a reading. Write ")
    assert three.refused_why[0].startswith("line 4, B-E: '34': write 34mV or 34ohm")
    verdict = next(v for v in sort(bag).verdicts if v.part == "Q2")
    assert "'xyz' is not a reading" in verdict.next


@every_row(
    ("rows", "swapped"),
    [
        ("-0,66;OL;-0,65;OL;no", True), ("-0.66;OL;;;no", True), ("-660 mV;OL;-650 mV;OL;no", True),
        ("-0,66;OL;0,65;OL;no", False), ("-0.66;OL;-0.65;OL;yes", False),
    ],
)  # fmt: skip
def test_all_signs_turned_are_swapped_probes(rows, swapped):
    bag = bag_of(f"part;B-E;E-B;B-C;C-B;in_circuit\nQ1;{rows}\nQ2;0,6;OL;0,6;OL;no\n")
    reason = bag.set_aside[0].reason
    assert ("red and black swapped? write E-B=0.66" in reason) == swapped
    assert ("power off" in reason) != swapped


@every_row("cells", ["0,6", "0,6,", "0,58", "3,1", "0,6 V"])
def test_a_decimal_comma_between_commas_is_asked_about(cells):
    bag = bag_of(f"part,A-K,K-A,note\nD1,{cells}\nD2,0.6,OL\n")
    assert [p.part for p in bag.readings] == ["D2"] and "decimal comma" in bag.set_aside[0].reason


def test_a_short_both_ways_is_no_decimal_comma():
    assert len(bag_of("part,A-K,K-A\nD1,0,0\n").readings[0].readings) == 2


@every_row(
    ("placements", "kept"),
    [
        ("1-4 4-1 2-3", 3), ("~1-+ --~2 ~1-~2", 3), ("A1-K A2-K K-A1", 3), ("G-S S-D D-S", 3),
        ("A-K K-A C-E E-C", 4), ("A-K K-A A-C C-E", 4), ("B-E E-B C-E A-K", 3), ("A-K K-A B-E", 2),
        ("B-E E-B 1-2", 2), ("1-2 2-1 B-E", 2), ("A1-K A2-K A3-K K1-A1", 3), ("IN-GND GND-OUT OUT-ADJ", 3),
    ],
)  # fmt: skip
def test_namings_of_leads_that_go_together(placements, kept):
    names = placements.split()
    wide = bag_of(f"part,{','.join(names)}\nQ1{',0.6' * len(names)}\n")
    rows = ["Q1," + ",".join([*split_placement(name), "0.6"]) for name in names]
    long = bag_of("part,red,black,value\n" + "\n".join(rows))
    for bag in (wide, long):
        assert len(bag.readings[0].readings) == kept, names
        assert len(bag.set_aside) == len(names) - kept


SLOPPY = """Part No.,BE,EB,B C,C/B,CE,EC,remarks
Q1,0.652,OL,0.648,OL,OL,OL,
Q2,.655,inf,.650,inf,inf,inf
Q3,0.649,OVLD,0.645,OVLD,OVLD,OVLD,dusty
Q4,651mV,O/L,646mV,O/L,O/L,O/L
Q5,0.651,open,0.647,open,open,open
Q6,0.653,>1.999,0.648,>1.999,>1.999,>1.999
Q7,"0,652",OL,"0,649",OL,OL,OL
Q8,0.650,---,0.646,---,---,---
Q9,0.65,1.,0.64,1.,1.,1.
Q10,651 mv,ol,647 mv,ol,ol,ol
Q11,short,short,0.648,OL,OL,0.648
Q12,OL,0.655,OL,0.65,OL,OL
Q13,0.653 V,0L,0.649 V,0L,0L,0L
Q14,+0.652,OL,+0.648,OL,OL,OL
Q15,OL,OL,0.648,OL,OL,OL,
Q16,0.652,O.L,0.648,O.L.,OL,overload
Q17,0.651,∞,0.648,∞,∞,∞
Q18,0.652,OF,0.648,OF,OF,OF
Q19,0.65,over range,0.645,over range,over range,over range
Q20,0.65,OL,0.64,OL,xyz,OL
"""


def test_twenty_parts_written_sloppily_are_read():
    bag = bag_of(SLOPPY)
    assert len(bag.readings) == 20
    assert [p.part for p in bag.readings if p.refused] == ["Q20"]
    assert all(len(p.readings) == 6 for p in bag.readings[:-1])


def test_twenty_parts_written_sloppily_do_not_end_undecided():
    clean = SLOPPY.replace("xyz", "OL")
    spelled = {v.part for v in sort(bag_of(SLOPPY)).verdicts if v.verdict == "undecided"}
    same = "Q,B-E,E-B,B-C,C-B,C-E,E-C\n"
    for p in bag_of(clean).readings:
        cells = ["OL" if r.kind == "over" else f"{r.value:.3f}" for r in p.readings]
        same += ",".join([p.part, *cells]) + "\n"
    true = {v.part for v in sort(bag_of(same)).verdicts if v.verdict == "undecided"}
    assert spelled - true <= {"Q20"}
