"""Parts with leads of other names, or with four: each junction judged, the whole named.

Readings are written as a 1 mA meter shows them; where no source stands beside a case it is `common practice,
no source`.  Cases against ngspice stand in tests/external/test_whole_ngspice.py.
"""

from itertools import permutations

import pytest

from junction.base.errors import ShelfError, UsageError
from junction.base.records import PartReadings
from junction.intake.cells import parse_reading
from junction.jobs.check import checked
from junction.leads.assemblies import assemblies, hints
from junction.leads.verdict import judge_readings
from junction.shelf.tables import default_meter, records
from tests.rows import every_row
from tests.shelf.reference import changed

BRIDGE = {"~1-+": "0.55", "+-~1": "OL", "~2-+": "0.551", "+-~2": "OL", "--~1": "0.553", "~1--": "OL",
          "--~2": "0.548", "~2--": "OL", "~1-~2": "OL", "~2-~1": "OL"}  # fmt: skip
LED_SIDE = {"A-K": "1.1", "K-A": "OL"}
COUPLER = {**LED_SIDE, "C-E": "OL", "E-C": "OL"}
APART = dict.fromkeys(("A-C", "C-A", "A-E", "E-A", "K-C", "C-K", "K-E", "E-K"), "OL")
MOSFET = {"G-S": "OL", "S-G": "OL", "G-D": "OL", "D-G": "OL", "D-S": "OL", "S-D": "0.47"}


def verdict(cells, **known):
    readings = tuple(parse_reading(f"{place}={value}") for place, value in cells.items())
    return judge_readings([PartReadings("X", readings, **known)], default_meter())[0]


def numbered(cells, names, order):
    """The same part with numbers for names."""
    number = dict(zip(names, order, strict=True))
    pairs = [(a, b) for a, b in permutations(names, 2) if f"{a}-{b}" in cells]
    return {f"{number[a]}-{number[b]}": cells[f"{a}-{b}"] for a, b in pairs}


def test_a_sound_bridge_is_good_when_every_junction_was_read_both_ways():
    v = verdict(BRIDGE)
    assert (v.verdict, v.device.kind, v.device.material) == ("good", "bridge rectifier", "silicon")
    own = {j.junction: j.verdict for j in v.junctions}
    assert own == dict.fromkeys(("~1-+", "~2-+", "--~1", "--~2"), "good")
    assert v.cannot_see


def test_two_drops_in_series_are_a_sound_bridge_too():
    # from - to +: two strings of two, each with half the current; n of 1 to 2 makes 1.03 to 1.07 V of 0.55 V
    for seen in ("1.03", "1.07"):
        assert verdict({**BRIDGE, "--+": seen, "+--": "OL"}).verdict == "good"


@every_row("missing", [("+-~1",), ("--~2",), ("~2--",)])
def test_no_good_before_every_junction_was_read(missing):
    v = verdict({k: x for k, x in BRIDGE.items() if k != missing})
    assert v.verdict == "undecided"
    assert missing in v.doubt and missing in v.next


def test_what_no_junction_shows_is_said_until_it_is_read():
    """Both alternating leads shorted together leave the four junctions as they were."""
    cells = {k: x for k, x in BRIDGE.items() if k not in ("~1-~2", "~2-~1")}
    assert "~1-~2" in verdict(cells).cannot_see and "~1-~2" not in verdict(BRIDGE).cannot_see


FAULTS = [
    ({"~1-+": "0.002", "+-~1": "0.002", "~2-~1": "OL", "~1-~2": "OL"}, "shorted", "", "~1-+"),
    ({"~1-+": "0.002", "+-~1": "0.002", "~2-~1": "0.55"}, "shorted", "~1-+ shorted", "~1-+"),
    ({"~1-+": "OL"}, "open", "~1-+ open", "~1-+"),
    ({"--~2": "OL"}, "open", "--~2 open", "--~2"),
    ({"~1-+": "0.51", "+-~1": "0.84", "~2-~1": "1.39"}, "leaky", "~1-+ leaky", "~1-+"),
    ({"~1-~2": "0.001", "~2-~1": "0.001"}, "shorted", "~1-~2 shorted", "~1-~2"),
]  # fmt: skip


@every_row("change, quality, fault, where", FAULTS[1:])
def test_each_fault_of_a_bridge_is_named_where_it_lies(change, quality, fault, where):
    v = verdict({**BRIDGE, **change})
    assert (v.verdict, v.faults) == (quality, (fault,))
    own = {j.junction: j.verdict for j in v.junctions}
    assert own.pop(where) == quality
    assert set(own.values()) == {"good"}


def test_a_short_that_the_other_readings_deny_is_not_believed():
    """With one diode shorted the way past it conducts: readings of a part that is not so are nobody's."""
    v = verdict({**BRIDGE, **FAULTS[0][0]})
    assert v.verdict == "undecided"


@every_row("order", [("1234",), ("3142",), ("4321",), ("2413",)])
def test_numbered_leads_give_the_same_in_any_order(order):
    names = ("~1", "~2", "+", "-")
    for change, quality in (({"--+": "1.05"}, "good"), ({"~1-+": "OL", "--+": "1.1"}, "open")):
        cells = {**BRIDGE, "+--": "OL", **change}
        v, straight = (verdict(numbered(cells, names, some)) for some in (order, "1234"))
        assert (v.verdict, v.device.kind) == (quality, "bridge rectifier")
        assert v.probability[quality] == pytest.approx(straight.probability[quality], abs=1e-9)
        if quality == "good":  # the two alternating leads cannot be told apart and are not
            assert v.device.leads == dict(zip(order, ("~", "~", "+", "-"), strict=True))


def test_leads_in_another_order_than_named_are_said():
    swap = {"+": "-", "-": "+"}
    turned = {}
    for a, b in permutations(("~1", "~2", "+", "-"), 2):
        if f"{a}-{b}" in BRIDGE:
            turned[f"{swap.get(a, a)}-{swap.get(b, b)}"] = BRIDGE[f"{a}-{b}"]
    v = verdict(turned)
    assert v.verdict == "undecided" and "another order" in v.doubt
    assert any("lead called + is -" in w for w in v.warnings)


def test_an_optocoupler_is_sound_so_far_without_light():
    v = verdict({**COUPLER, **APART})
    assert (v.verdict, v.device.kind) == ("undecided", "optocoupler")
    assert "without light C-E" in v.doubt and "1 kΩ" in v.next
    own = {j.junction: j.verdict for j in v.junctions}
    assert own["A-K"] == "good" and own["C-E"] == "undecided"
    joined = verdict({**COUPLER, "E-C": "0.85", **APART})  # a resistor joins emitter and base
    assert joined.verdict == "undecided" and "without light C-E" in joined.doubt


@every_row("change, fault", [
    ({"A-E": "0.3", "E-A": "0.3"}, "A-E leaky"), ({"K-C": "0.001", "C-K": "0.001"}, "K-C shorted"),
    ({"C-E": "0.001", "E-C": "0.001"}, "C-E shorted"), ({"A-K": "OL"}, "A-K open"),
])  # fmt: skip
def test_whatever_joins_or_parts_the_sides_of_an_optocoupler_is_a_fault(change, fault):
    cells = {**COUPLER, **APART, **change}
    if fault.startswith(("A-E", "K-C")):  # what else a path between the sides would show is left unread
        keep = {*change, *COUPLER}
        cells = {k: v for k, v in cells.items() if k in keep}
    v = verdict(cells)
    assert v.faults == (fault,)
    assert v.verdict == fault.split()[1]


BY_LEADS = [
    ("A1-K=0.22 K-A1=OL A2-K=0.225 K-A2=OL A1-A2=OL A2-A1=OL", "dual diode", "good"),
    ("A-K1=0.55 K1-A=OL A-K2=0.56 K2-A=OL K1-K2=OL K2-K1=OL", "dual diode", "good"),
    ("A-AK=0.55 AK-A=OL AK-K=0.56 K-AK=OL A-K=1.11 K-A=OL", "dual diode", "good"),
    ("A1-K1=0.55 K1-A1=OL A2-K2=0.56 K2-A2=OL", "dual diode", "good"),
    ("A1-K=0.55 K-A1=OL A2-K=0.001 K-A2=0.001", "dual diode", "shorted"),
    ("G-S=OL S-G=OL G-D=OL D-G=OL D-S=OL S-D=0.47", "MOSFET", "undecided"),
    ("G-S=OL S-G=OL G-D=OL D-G=OL D-S=0.001 S-D=0.001", "MOSFET", "undecided"),
    ("G-D=0.71 D-G=OL G-S=0.71 S-G=OL D-S=0.24 S-D=0.24", "junction FET", "undecided"),
    ("G-K=0.643 K-G=1.046 G-A=OL A-G=OL A-K=OL K-A=OL", "thyristor", "undecided"),  # case r7
    ("T1-G=0.094 G-T1=0.093 T1-T2=OL T2-T1=OL G-T2=OL T2-G=OL", "triac", "undecided"),  # case r8
    ("IN-OUT=1.2 OUT-IN=0.6 IN-GND=0.9 GND-IN=0.55", "regulator", "undecided"),
    ("IN-OUT=0.002 OUT-IN=0.002", "regulator", "shorted"),
]


@every_row("readings, kind, quality", BY_LEADS)
def test_what_it_is_by_its_leads(readings, kind, quality):
    v = verdict(dict(item.split("=") for item in readings.split()))
    assert (v.device.kind, v.verdict) == (kind, quality)
    if kind not in ("dual diode",) and quality == "undecided":
        assert "named, not judged" in v.doubt and v.next


def test_a_charged_gate_is_not_a_short_until_the_leads_were_shorted_together():
    charged = {**MOSFET, "D-S": "0.001", "S-D": "0.001"}
    assert "--discharged" in verdict(charged).next
    v = verdict(charged, discharged=True)
    assert (v.verdict, v.faults) == ("shorted", ("S-D shorted",))


def test_what_none_of_them_reads_is_unknown_and_told_pair_by_pair():
    readings = "1-4=0.55 4-1=OL 1-2=0.3 2-1=1.7 2-3=OL 3-2=0.9 1-3=0.002 3-1=0.002"
    v = verdict(dict(item.split("=") for item in readings.split()))
    assert (v.verdict, v.device.kind) == ("undecided", "unknown")
    own = {j.junction: j.verdict for j in v.junctions}
    assert own == {"1-4": "good", "1-3": "shorted", "3-2": "good", "1-2": "undecided"}
    assert "Read the marking" in v.next


def test_in_circuit_a_lead_is_lifted_and_nothing_replaced():
    leaky = {**BRIDGE, "~1-+": "0.51", "+-~1": "0.84", "~2-~1": "1.39"}
    v = verdict(leaky, in_circuit=True)
    assert v.verdict == "undecided" and v.next.startswith("Lift lead")
    assert verdict(leaky, in_circuit=True, lifted=("~1",)).verdict == "leaky"


def test_ohms_are_readings():
    cells = {**BRIDGE, "+-~1": "40kohm"}
    assert verdict(cells).faults == ("~1-+ leaky",)
    assert verdict({**BRIDGE, **dict.fromkeys(("+-~1", "+-~2", "~1--", "~2--"), "OL")}).verdict == "good"


def test_a_wide_bag_of_them_is_judged_as_one_by_one():
    cells = [BRIDGE, {**BRIDGE, "~1-+": "OL"}, BRIDGE, BRIDGE, BRIDGE, BRIDGE]
    read = [tuple(parse_reading(f"{p}={x}") for p, x in c.items()) for c in cells]
    judged = judge_readings([PartReadings(str(k), r) for k, r in enumerate(read)], default_meter())
    assert [v.verdict for v in judged] == ["good", "open", "good", "good", "good", "good"]
    assert judged[1].faults == verdict(cells[1]).faults


def test_numbers_and_names_do_not_mix():
    readings = (parse_reading("~1-+=0.55"), parse_reading("1-2=0.55"))
    with pytest.raises(UsageError, match="one set of lead names"):
        checked(PartReadings("X", readings), default_meter())


def test_names_hint_at_kinds_of_the_three_lead_engine():
    every = {kind for row in records("assemblies").values() for kind in row.hints.split(" + ")} - {""}
    assert every <= records("kinds").keys()
    assert "MOSFET" in hints(("G", "D", "S")) and "junction FET" in hints(("S", "G", "D"))
    assert hints(("A1", "A2", "K")) == ("two diodes", "two Schottky diodes")
    assert hints(("1", "2", "3")) == hints(("B", "C", "E")) == ()
    assert assemblies(frozenset("XY")) == []


@every_row("column, value, said", [
    ("junctions", "~1>+: no such family", "no list of families"),
    ("junctions", "~3>+: Schottky", "two of its leads"),
    ("paths", "~1-+=no_such_prior", "priors.csv"),
])  # fmt: skip
def test_a_fault_in_the_table_is_named_by_line_and_column(column, value, said):
    with changed("assemblies", "bridge", {column: value}), pytest.raises(ShelfError, match=said) as caught:
        verdict(BRIDGE)
    assert "assemblies.csv" in str(caught.value) and column in str(caught.value)
