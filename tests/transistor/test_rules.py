"""Every convention of the transistor fits is a row of reference/rules.csv: change it, and an answer moves."""

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from junction.base.records import CurveTable, PartReadings, Spot
from junction.shelf import tables as rules
from junction.transistor.model import usual_noise
from junction.transistor.transistor import fit_transistors
from junction.transistor.values import at_currents, evaluate, parameter_intervals
from tests.tables import curve_table
from tests.transistor import transistor_simulation as sim


def gummel(parts=sim.power_parts, n=2, **how):
    rng = np.random.default_rng(1)
    return sim.gummel_table(parts(n, rng), rng, **how)[0]


def columns(table, k):
    return [getattr(table, name)[table.points(k)] for name in ("vce_V", "vbe_V", "ib_A", "ic_A")]


def repeated():
    """Up and down again, the way down 3 K warmer."""
    cold, warm = gummel(recorded=25.0, vces=(5.0,)), gummel(recorded=28.0, vces=(5.0,))
    both = [[np.append(a, b[::-1]) for a, b in zip(columns(cold, k), columns(warm, k), strict=True)]
            for k in range(2)]  # fmt: skip
    return curve_table(cold.part, *zip(*both, strict=True), temp_C=[25.0, 25.0])


def three_points():
    return curve_table(["X"], *([a[:3]] for a in columns(gummel(n=1), 0)))


def spoilt():
    """A point that lies off by some standard uncertainties, and a part whose points lie about at random."""
    table = gummel(n=3)
    ic, at = np.array(table.ic_A), table.points(1)
    ic[5] *= 1.032
    ic[at] *= np.exp(np.random.default_rng(3).normal(0, 0.62, at.stop - at.start))
    return dataclasses.replace(table, ic_A=ic)


def at_limit():
    """Output curves whose source stops at 0.2 A of collector current at most steps."""
    table = output_family()
    return dataclasses.replace(table, ic_A=np.minimum(table.ic_A, 0.2))


def output_family():
    return sim.output_table(sim.power_parts(2, np.random.default_rng(4)), np.random.default_rng(5))


def at_floor():
    """Curves from 0 V on, with 40 nA and 20 nA of offset."""
    table = gummel(vbe=(0.0, 0.8, 33))
    return dataclasses.replace(table, ic_A=table.ic_A + 4e-8, ib_A=table.ib_A + 2e-8)


def spots(type_=""):
    vbe, hfe = sim.truth_at(sim.power_parts(4, np.random.default_rng(2)), 0.01, 5.0, 25.0)
    return [
        PartReadings(f"S{k}", type=type_, spots=(Spot(0.01, float(v[0]), float(h[0]), 25.0),))
        for k, (v, h) in enumerate(zip(vbe, hfe, strict=True))
    ]


def fit_spots(readings, **how):
    return fit_transistors(CurveTable.empty(), readings=readings, **how)


ODD = [PartReadings("A", spots=(Spot(0.1, 3.9, 90.0),)), PartReadings("B", spots=(Spot(0.1, 0.6, 90.0),))]
CASES = {
    "curves": lambda: fit_transistors(gummel()),
    "stated": lambda: fit_transistors(spoilt(), usual_noise()),
    "output": lambda: fit_transistors(output_family()),
    "germanium": lambda: fit_transistors(gummel(sim.germanium_parts, vbe=(0.1, 0.35, 25))),
    "Darlington": lambda: fit_transistors(gummel(sim.darlington_parts, vbe=(0.9, 1.6, 25))),
    "warm": lambda: fit_transistors(gummel(vbe=(0.5, 0.8, 20), vces=(2.0, 5.0, 10.0), rth=0.04)),
    "repeated": lambda: fit_transistors(repeated()),
    "few": lambda: fit_transistors(three_points()),
    "limited": lambda: fit_transistors(at_limit()),
    "floor": lambda: fit_transistors(at_floor()),
    "spots": lambda: fit_spots(spots("2N0000"), made_for_A=3.0),
    "untyped": lambda: fit_spots(spots()),
    "odd": lambda: fit_spots(ODD),
}
#: Cases that show a row by the start of its name, and those that show it only there, by a larger change.
SHOWN_BY = {"curve_": "curves", "bjt_": "odd"}
ELSEWHERE = {
    "reading_vbe_u": ("odd", 1.3), "reading_hfe_percent": ("odd", 1.3), "reading_ic_percent": ("odd", 1.3),
    "reading_vce": ("odd", 1.3), "reading_vce_u": ("odd", 1.3), "temp_u_missing": ("odd", 1.3),
    "temp_u": ("curves", 1.3), "bjt_noise_margin": ("odd", 10), "bjt_points_least": ("few", 2),
    "bjt_made_for_share": ("spots", 1.3), "bjt_vbe_most": ("odd", 0.7), "bjt_vbe_unread": ("output", 1.3),
    "bjt_darlington_vbe": ("odd", 0.7), "bjt_IS_width": ("output", 1.3), "bjt_wild": ("stated", 2),
    "bjt_teachers_most": ("spots", 0.05),
    "bjt_RTH_width": ("curves", 1.3), "bjt_darlington_low": ("Darlington", 3),
    "bjt_darlington_points": ("Darlington", 10),
    "bjt_one_type_log_IS": ("untyped", 0.1), "bjt_knee_above_vbe": ("few", 10), "bjt_knee": ("output", 0.01),
    "bjt_leak_share": ("germanium", 100), "bjt_heating_fitted": ("warm", 100),
    "bjt_heating_said": ("warm", 0.5), "bjt_vbe_same": ("repeated", 100), "bjt_rise_least": ("repeated", 10),
    "curve_limit_steps": ("limited", 100),
    "curve_emission_ic": ("floor", 4), "curve_emission_ib": ("floor", 4),
    "curve_reach": ("curves", 0.1), "curve_vbe_told": ("curves", 0.001), "bjt_default_bar": ("few", 0.01),
    "bjt_scatter_points": ("curves", 100),
    "bjt_NF_least": ("curves", 1.1), "bjt_apart_most": ("stated", 0.5),
    "bjt_held_share": ("few", 1.3), "bjt_value_width": ("curves", 0.05),
}  # fmt: skip


def outcome(case):
    fits = CASES[case]()
    values = evaluate(fits, [1e-3, 0.1, 2.0], 5.0, 40.0)
    shown = [str(parameter_intervals(fits, k)) for k in range(len(fits))]
    shown += [str(at_currents(fits)), str(fits.offset_ic_A), str(fits.n_used)]
    return repr((fits.why_not, fits.value, fits.u_log, fits.fixed, fits.heating_K, fits.flags, values, shown))


@pytest.fixture
def changed(monkeypatch):
    """Calls a function while one row of the rules holds another value."""
    table = dict(rules.rules())

    def call(name, value, function):
        with monkeypatch.context() as patch:
            patch.setattr(rules, "rules", lambda: table | {name: SimpleNamespace(value=value)})
            rules.rule.cache_clear()
            result = function()
        rules.rule.cache_clear()
        return result

    return call


def rows():
    """Rows of this room, each with the case that shows it and the factor on its value."""
    usual = {name: (SHOWN_BY.get(name.split("_")[0] + "_"), 1.3) for name in rules.rules()}
    found = usual | ELSEWHERE
    return {name: shown for name, shown in found.items() if shown[0]}


def test_every_row_moves_an_answer(changed):
    before = {case: outcome(case) for case in CASES}
    for name, (case, factor) in rows().items():
        row = rules.rules()[name]
        case = "spots" if name.endswith("_between") else case
        after = changed(name, factor * row.value, lambda case=case: outcome(case))
        assert after != before[case], f"nothing of {case!r} depends on {name}"
