"""Every figure of lead finding stands in reference/: change a row, and an answer moves."""

from math import inf

import numpy as np

from junction.base.records import PartReadings, Reading, Spot
from junction.jobs.check import Sitting
from junction.leads.hypotheses import faults, kinds, lay_out, lay_out_in_circuit
from junction.leads.verdict import judge_readings
from junction.shelf import tables as rules
from junction.shelf.tables import default_meter, meters, records, reference_rows
from junction.shelf.types import find_type
from tests.shelf import reference

GOOD = "B-E=0.655 E-B=OL B-C=0.648 C-B=OL C-E=OL E-C=OL"
UNKNOWN = "1-2=0.655 2-1=OL 1-3=0.648 3-1=OL 2-3=OL 3-2=OL"
LEAKY = "B-E=0.340 E-B=0.341 B-C=0.655 C-B=OL C-E=OL E-C=0.72"
OHMS = "B-E=0.655 E-B=OL B-C=0.648 C-B=20000ohm C-E=0.82 E-C=OL"
SHORT = "B-E=0.655 E-B=OL B-C=0.648 C-B=OL C-E=0.4ohm E-C=0.4ohm"
DARLINGTON = "B-E=0.68 E-B=OL B-C=0.60 C-B=OL C-E=OL E-C=0.52"
CIRCUIT = "B-E=0.22 E-B=0.22 B-C=0.6 C-B=1.6 C-E=0.8 E-C=0.75"
FET = "1-2=0.71 2-1=OL 1-3=0.71 3-1=OL 2-3=0.24 3-2=0.24"
ZENER = "A-K=0.7 K-A=1.9"

#: Row -> what it becomes, and the readings that show it (with what else is known of the part).
CHARGED = "1-2=0.001 2-1=0.001 1-3=OL 3-1=OL 2-3=OL 3-2=OL"
SLIP = "B-C=0.642 B-E=0.0655 C-B=OL E-B=OL C-E=OL E-C=OL"
RULES = {
    "leads_window": (2.5, "A-K=0.62 K-A=OL"),
    "leads_window_joint": (3.0, GOOD),
    "leads_least_short": (0.4, SHORT),
    "leads_least_beside": (2.0, CIRCUIT, {"in_circuit": True}),
    "leads_beyond": (30.0, "B-E=0.605 E-B=OL B-C=0.600 C-B=OL C-E=OL E-C=1.8"),
    "leads_drop_current": (2e-3, GOOD),
    "leads_gain_drift": (2.0, LEAKY),
    "leads_ohms_open": (0.3, OHMS),
    "leads_ohms_source": (2e4, OHMS),
    "leads_ohms_spread": (0.9, OHMS),
    "leads_ohms_over": (2e5, "B-E=0.655 E-B=OL B-C=0.648 C-B=300000ohm C-E=OL E-C=OL"),
    "leads_ohms_accuracy": (0.05, OHMS),
    "leads_ohms_zero": (0.6, SHORT),
    "leads_past_visible": (2.0, GOOD),
    "leads_highest_leak": (2e7, OHMS),
    "leads_odd_ohms": (10.0, "B-E=300ohm"),
    "conformity_good": (0.9999, UNKNOWN),
    "leads_list": (0.2, FET),
    "leads_name": (0.2, FET),
    "leads_most_named": (1, "1-2=0.002 2-1=0.002 1-3=0.612 3-1=OL 2-3=0.612 3-2=OL"),
    "leads_remark": (0.999, FET),
    "leads_place_sure": (0.01, "1-2=0.3 2-1=0.3 1-3=0.65 3-1=OL"),
    "leads_other_good": (0.999, GOOD, {"type": "TIP122"}),
    "leads_ask": (10.0, "B-E=0.655"),
    "leads_junction_drop": (0.7, GOOD),
    "leads_backward_share": (0.3, "B-E=0.605 E-B=0.22 B-C=0.600 C-B=OL C-E=OL E-C=0.82", {"type": "2N3055"}),
    "leads_backward_margin": (0.3, "B-E=0.605 E-B=0.22 B-C=0.600 C-B=OL C-E=OL E-C=0.82", {"type": "2N3055"}),
    "leads_gain_shows": (300.0, GOOD, {"hfe": 200.0}),
    "leads_gain_darlington": (1e4, DARLINGTON, {"hfe": 4000.0}),
    "leads_gain_of_least": (0.9, GOOD, {"hfe": 20.0, "type": "BD139"}),
    "leads_gain_against": (0.1, FET, {"hfe": 110.0}),
    "leads_named_not_bipolar": (0.5, "B-E=0.655"),
    "leads_kind_named": (0.999, CHARGED),
    "leads_beyond_gain": (1.0, "1-2=OL 1-3=0.683 2-1=0.596 2-3=0.644 3-1=OL 3-2=OL"),
    "leads_warm": (70.0, "B-C=0.043 B-E=0.110 C-B=0.021 C-E=0.074 E-B=0.029 E-C=0.051", {"temp_C": 59.0}),
    "leads_infinity": (0.5, "A-K=0.62 K-A=OL", {}, "analog, ohms x100"),
    "leads_slip": (1e-6, SLIP),
    "leads_meant_low": (0.5, "B-E=0.655 E-B=OL C-E=4.2"),
    "leads_meant_high": (0.4, "B-E=0.655 E-B=OL C-E=4.2"),
    "leads_needle_accuracy": (0.1, "B-E=1200ohm E-B=OL", {}, "analog, ohms x100"),
    "leads_germanium_doubling": (8.0, "E-B=0.21 B-E=OL C-B=0.19 B-C=OL C-E=OL E-C=0.9", {"temp_C": 35.0}),
    "leads_least_inside": (400.0, "B-E=0.95 E-B=OL B-C=0.61 C-B=OL C-E=OL E-C=OL"),
}  # fmt: skip
#: Priors that move no tile, and the readings that show them; the others are seen in what is laid out.
BRIDGE = "~1-+=0.55 +-~1=OL ~2-+=0.53 +-~2=OL --~1=0.56 ~1--=OL --~2=0.548 ~2--=OL"
PRIORS = {
    "apart": (BRIDGE,),
    "dies_v": (BRIDGE,),
    "odd": (GOOD,),
    "mislabelled": ("B-E=0.655",),
    "mismarked": (GOOD, {"type": "2N3055"}),
    "discrepancy_v": (GOOD,),
    "ic_drop_v": ("1-2=1.2 2-1=0.9 1-3=0.5 3-1=OL 2-3=1.4 3-2=0.8",),
    "ic_junction_v": ("1-2=1.2 2-1=0.9 1-3=0.5 3-1=OL 2-3=1.4 3-2=0.8",),
}


def answer(text, known=None, meter=""):
    """All that is said of a part."""
    readings = []
    for item in text.split():
        placement, _, value = item.partition("=")
        kind = "over" if value == "OL" else "ohm" if value.endswith("ohm") else "volt"
        number = inf if kind == "over" else float(value.removesuffix("ohm"))
        readings.append(Reading(placement, kind, number, text=value))
    known = dict(known or {})
    spots = (Spot(hfe=known.pop("hfe")),) if "hfe" in known else ()
    part = PartReadings("X", tuple(readings), spots=spots, **known)
    return repr(judge_readings([part], meters()[meter] if meter else default_meter(), find_type))


def settled(text):
    """Whether a sitting calls itself settled."""
    part = PartReadings("X", ())
    sitting = Sitting(part, "123", default_meter())
    for item in text.split():
        placement, value = item.split("=")
        sitting.add(Reading(placement, "over") if value == "OL" else Reading(placement, "volt", float(value)))
    return sitting.step()[2]


def changed(table, name, cells, function):
    """Result of a function while one row of a table under reference/ holds other cells."""
    with reference.changed(table, name, cells):
        return function()


def test_every_rule_moves_an_answer():
    named = {name for name in rules.rules() if name.startswith("leads_")}
    assert RULES.keys() == named - {"leads_settled"} | {"conformity_good"}
    before = {}
    for name, (value, *case) in RULES.items():
        key = repr(case)
        if key not in before:
            before[key] = answer(*case)
        after = changed("rules", name, {"value": f"{value:g}"}, lambda case=case: answer(*case))
        assert after != before[key], f"{name} at {value:g} changes nothing of {case}"


def test_the_bar_of_a_sitting_settles_it():
    read = "1-2=0.002 2-1=0.002 1-3=0.6 3-1=OL 2-3=0.6"
    assert settled(read)
    assert not changed("rules", "leads_settled", {"value": "0.001"}, lambda: settled(read))


def laid_out():
    """All tiles of the hypotheses with two and three leads, and in circuit."""
    tiles = [lay_out(kinds(n), 2e3, 3e3, in_circuit=n == 2)[1] for n in (2, 3)]
    _, inside, (_, _, log_weight), _ = lay_out_in_circuit(3e3)
    found = [x[name] for x in tiles for name in ("theta", "sd", "log_weight")]
    return [*found, inside["theta"], inside["sd"], log_weight]


def same(one, other):
    return all(
        np.allclose(a, b, rtol=1e-9, atol=1e-12, equal_nan=True) for a, b in zip(one, other, strict=True)
    )


def test_every_prior_moves_an_answer():
    before = laid_out()
    for row in reference_rows("priors"):
        name = row.cells["prior"]
        cells = {c: str(1.2 * float(row.cells[c])) for c in ("value", "low", "high") if row.cells[c]}
        if name in PRIORS:
            case = PRIORS[name]
            after = changed("priors", name, cells, lambda case=case: answer(*case))
            assert after != answer(*case), name
        else:
            assert not same(changed("priors", name, cells, laid_out), before), name


def test_every_weight_of_an_assembly_moves_the_odds():
    before = {}
    for row in records("assemblies").values():
        names = "1234" if row.numbered else row.leads.split(" | ")[0].split()
        if len(names) == 5:  # the fewest leads that fit are taken: all five must be there
            case = "A-K=1.1 B-E=0.7 B-C=0.7"
        else:
            case = f"{names[0]}-{names[1]}=0.6 {names[1]}-{names[-1]}=0.3"
        if case not in before:
            before[case] = answer(case)
        again = changed("assemblies", row.name, {"weight": str(2 * row.weight)}, lambda c=case: answer(c))
        alone = row.name in ("regulator", "triac", "optocoupler, base led out")
        assert (again == before[case]) == alone, row.name


def test_every_weight_of_a_kind_or_fault_moves_the_odds():
    before = laid_out()
    tables = {"kinds": [*kinds(2), *kinds(3)], "faults": [*faults().values()]}
    for file, rows in tables.items():
        for row in rows:
            after = changed(file, row.name, {"weight": str(1.2 * row.weight)}, laid_out)
            assert not same(after, before), f"{file}: {row.name}"
