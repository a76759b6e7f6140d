"""Whole parts: several sweeps of one part, sweeps merged with meter readings, the order of the list."""

from dataclasses import replace

import numpy as np
import pytest

from junction.base.records import Bag, Interval, PartReadings, Reading
from junction.judge.results import QUALITIES, Device, JunctionVerdict, PartVerdict, worst_first
from junction.physics.junction import current
from junction.shelf.tables import default_meter
from junction.verdict.parts import judge_bag, merged
from tests.tables import sweep_table
from tests.verdict.made_fits import made_fits

GOOD = {"model": "junction + shunt", "IS_A": 2e-12, "N": 1.02, "RS_ohm": 0.1, "RSH_ohm": 1e10}
LEAKY = GOOD | {"RSH_ohm": 15e3}
WORN = GOOD | {"RSH_ohm": 400.0}  # 17 mA at 7 V, where the 2N3055 may pass 5 mA
SHORT = {"model": "resistor", "R_ohm": 0.4}
OPEN = {"model": "open", "low": {"R_ohm": 1e10}}


def bag_of(parts, type="2N3055", temp_C=25.0):
    """Sweeps as (part, junction, fit) with points that follow the fit; table and fits."""
    v = np.concatenate([np.linspace(-5, 0, 12), np.linspace(0, 0.8, 24)[1:]])
    i = [current(v, r.get("IS_A", 1e-200), r.get("N", 1.0), RS_ohm=r.get("RS_ohm", 0.0),
                 RSH_ohm=r.get("RSH_ohm", r.get("R_ohm", np.inf))) for _, _, r in parts]  # fmt: skip
    n = len(parts)
    table = sweep_table([p for p, _, _ in parts], [j for _, j, _ in parts], [v] * n, i,
                                  [temp_C] * n, [type] * n)  # fmt: skip
    return table, made_fits([r for _, _, r in parts], [temp_C] * n)


def judged(parts, **kwargs):
    table, fits = bag_of(parts, **kwargs)
    return judge_bag(Bag(sweeps=table), fits, default_meter())


def test_a_part_is_as_bad_as_its_worst_junction():
    found = judged([("A", "BE", GOOD), ("A", "BC", LEAKY), ("B", "BE", WORN), ("B", "BC", SHORT),
                    ("C", "BE", GOOD), ("C", "BC", GOOD), ("D", "BC", GOOD), ("D", "BE", OPEN)])  # fmt: skip
    assert [(v.part, v.verdict) for v in found] == [
        ("A", "leaky"), ("B", "shorted"), ("C", "good"), ("D", "open"),
    ]  # fmt: skip
    assert found[1].faults == ("BC shorted", "BE leaky")
    assert [j.junction for j in found[3].junctions] == ["BE", "BC"]  # not in the order of the file
    for v in found:
        assert sum(v.probability.values()) == pytest.approx(1.0, abs=1e-12)
    assert found[0].evidence[0].startswith("B-C: a path of 15 kΩ")  # the worst first


def test_one_junction_of_a_part_undecided_leaves_the_part_undecided():
    near = GOOD | {"RSH_ohm": 7.0 / 5e-3, "u": {"RSH_ohm": 300.0}}  # I_EBO of the 2N3055: 5 mA at 7 V
    found = judged([("A", "BE", near), ("A", "BC", GOOD)])
    assert found[0].verdict == "undecided"
    assert found[0].next.startswith("Measure the reverse current of B-E at 7 V")
    assert {a.faults for a in found[0].alternatives} == {(), ("BE leaky",)}


def test_good_says_what_was_not_seen():
    found = judged([("A", "BE", GOOD)])[0]
    assert found.verdict == "good"
    for words in ("B-E in reverse beyond 5 V", "B-C (not swept)", "C-E (not swept)", "current gain"):
        assert words in found.cannot_see
    assert found.next


def test_a_shorted_power_transistor_names_its_neighbours():
    assert judged([("A", "BC", SHORT)])[0].neighbours
    small = " ".join(judged([("A", "BC", SHORT)], type="BC547B")[0].neighbours)
    assert "coupling capacitors" in small and "partner" not in small and "rails" not in small
    assert not judged([("A", "BC", GOOD)])[0].neighbours


def test_a_missing_temperature_is_said():
    assert any("No temperature" in w for w in judged([("A", "BC", GOOD)], temp_C=np.nan)[0].warnings)
    assert not judged([("A", "BC", GOOD)])[0].warnings


def test_an_unknown_type_is_said():
    found = judged([("A", "BC", GOOD)], type="ZZ99")[0]
    assert any("ZZ99 is not on the shelf" in w for w in found.warnings)


def test_worst_first():
    found = judged([(p, "BC", r) for p, r in zip("ABCDE", (GOOD, LEAKY, SHORT, OPEN, GOOD), strict=True)])
    assert [v.part for v in worst_first(found)] == ["C", "D", "B", "A", "E"]


def test_sweeps_of_one_junction_that_disagree_are_told():
    table, fits = bag_of([("A", "BC", GOOD), ("A", "BC", LEAKY)])
    table = replace(table, type=("2N3055", "MJ15003"))
    found = judge_bag(Bag(sweeps=table), fits, default_meter())[0]
    assert found.verdict == "leaky" and found.faults == ("BC leaky",)
    assert any("The sweeps of B-C disagree: good and leaky" in w for w in found.warnings)
    assert any("Marked 2N3055 in one place and MJ15003" in w for w in found.warnings)


# --- sweeps and readings of the same part ----------------------------------------------------------------


def reading(verdict, junction="BC", ohm=None, in_circuit=False, **device):
    p = dict.fromkeys(QUALITIES, 0.0 if verdict in QUALITIES else 0.25)
    p |= {verdict: 1.0} if verdict in QUALITIES else {}
    leak = Interval(ohm, ohm * 0.8, ohm * 1.2, "ohm") if ohm else None
    faults = () if verdict in ("good", "undecided") else (f"{junction} {verdict}",)
    j = JunctionVerdict(junction, verdict, p, faults, (), leak_ohm=leak)
    return PartVerdict(
        "A", verdict, p, Device(**device), (j,), faults, evidence=("B-C 0.6 V.",), next="read again",
        basis="readings", in_circuit=in_circuit,
    )  # fmt: skip


def test_a_leak_the_meter_cannot_see_is_no_contradiction():
    found = merged(judged([("A", "BC", LEAKY)])[0], reading("good"))
    assert (found.verdict, found.faults, found.basis) == ("leaky", ("BC leaky",), "readings and sweeps")
    assert any("does not show in diode mode" in s for s in found.evidence)
    assert "On the meter: B-C 0.6 V." in found.evidence
    assert not found.warnings


@pytest.mark.parametrize(
    "sweep, read",
    [(GOOD, reading("shorted", ohm=2.0)), (GOOD, reading("open")), (SHORT, reading("good")),
     (GOOD | {"RSH_ohm": 400.0}, reading("good"))],
)  # fmt: skip
def test_contradictions_are_told_and_not_decided(sweep, read):
    found = merged(judged([("A", "BC", sweep)])[0], read)
    assert found.verdict == "undecided" and not found.faults
    assert any("the sweep says" in w and "the meter reading says" in w for w in found.warnings)
    assert found.next.startswith("Repeat sweep and reading")


def test_in_circuit_a_parallel_path_explains_the_meter():
    found = merged(judged([("A", "BC", GOOD)])[0], reading("leaky", ohm=400.0, in_circuit=True))
    assert found.verdict == "good" and found.in_circuit
    assert any("a path beside the part" in s for s in found.evidence)


def test_a_sweep_that_says_nothing_leaves_it_to_the_meter():
    none = {"model": "none", "why_not": "one point", "flags": {"converged": False}}
    table = sweep_table(["A"], ["BC"], [np.array([0.1])], [np.array([0.0])], [25.0], ["2N3055"])
    swept = judge_bag(Bag(sweeps=table), made_fits([none], [25.0]), default_meter())[0]
    assert swept.verdict == "undecided"
    found = merged(swept, reading("shorted", ohm=1.0))
    assert found.verdict == "shorted" and found.faults == ("BC shorted",) and found.next == "read again"


def test_a_meter_does_not_settle_a_leak_near_the_limit():
    """Diode mode is blind to it, so its good must not push the part over to good."""
    near = GOOD | {"RSH_ohm": 5.0 / 1e-4, "u": {"RSH_ohm": 1e4}}  # family limit 0.1 mA at 5 V
    swept = judged([("A", "BC", near)])[0]
    assert swept.verdict == "undecided"
    assert merged(swept, reading("good")).verdict == "undecided"


def test_different_materials_are_a_warning():
    found = merged(judged([("A", "BC", GOOD)])[0], reading("good", material="germanium"))
    assert any("silicon" in w and "germanium" in w for w in found.warnings)


def test_near_the_short_limit_both_can_be_right():
    swept = judged([("A", "BC", {"model": "resistor", "R_ohm": 60.0})])[0]
    found = merged(swept, reading("shorted", ohm=45.0))
    assert found.verdict == "leaky" and not found.warnings


def test_junctions_of_both_methods_count():
    found = merged(judged([("A", "BC", GOOD)])[0], reading("open", junction="BE"))
    assert found.verdict == "open" and [j.junction for j in found.junctions] == ["BC", "BE"]


# --- a bag, with the judgement of real readings ----------------------------------------------------------


def volts(**cells):
    return tuple(
        Reading(place.replace("_", "-"), "over") if v is None else Reading(place.replace("_", "-"), "volt", v)
        for place, v in cells.items()
    )


HEALTHY = volts(B_E=0.532, E_B=None, B_C=0.528, C_B=None, C_E=None, E_C=None)
DEAD = volts(B_E=0.0, E_B=0.0, B_C=0.53, C_B=None, C_E=None, E_C=0.53)


def test_a_bag_holds_every_part_once():
    table, fits = bag_of([("A", "BC", LEAKY), ("B", "BC", GOOD), ("B", "BE", GOOD)])
    bag = Bag(readings=(PartReadings("A", HEALTHY, "2N3055", temp_C=25.0),
                        PartReadings("C", DEAD, "2N3055", temp_C=25.0)), sweeps=table)  # fmt: skip
    found = judge_bag(bag, fits, default_meter())
    assert [(v.part, v.verdict, v.basis) for v in found] == [
        ("A", "leaky", "readings and sweeps"), ("B", "good", "sweeps"), ("C", "shorted", "readings"),
    ]  # fmt: skip
    assert {j.junction for j in found[0].junctions} == {"BE", "BC", "CE"}
    alone = judge_bag(replace(bag, readings=()), fits, default_meter())
    assert [v.part for v in alone] == ["A", "B"]
    assert judge_bag(Bag(), made_fits([]), default_meter()) == ()


def test_a_type_in_the_readings_holds_for_the_sweeps_of_the_part():
    """Unmarked in the sweep file, the part could leak as a power transistor; the readings say BC547B."""
    small = GOOD | {"IS_A": 2e-14, "RSH_ohm": 1e6}
    table, fits = bag_of([("A", "BC", small)], type="")
    read = PartReadings("A", volts(B_E=0.655, E_B=None, B_C=0.65, C_B=None, C_E=None, E_C=None), "BC547B")
    assert judge_bag(Bag(sweeps=table), fits, default_meter())[0].verdict == "undecided"
    found = judge_bag(Bag(readings=(read,), sweeps=table), fits, default_meter())[0]
    assert (found.verdict, found.type) == ("leaky", "BC547B")
