"""Every table under reference/ is read by the one loader, and every row of every table moves an answer."""

import contextlib
import io
import re
from dataclasses import replace
from functools import cache
from math import isclose, isnan

import numpy as np
import pytest

from junction.base.errors import ShelfError
from junction.cli.main import main
from junction.judge.results import LEAK_SYMBOLS, registered_leak
from junction.replace.substitute import compare
from junction.shelf import tables
from junction.shelf.limits import matched_duals
from junction.shelf.tables import columns, records, reference_folder, rules
from junction.shelf.types import power_at_W, power_reference, type_shelf
from tests.golden.frozen_bags import bags
from tests.leads import test_rules as leads
from tests.replace import test_rules as replaced_by
from tests.sets import test_rules as sets
from tests.shelf.odd_sweeps import odd_sweep
from tests.shelf.reference import changed, forget, read, replaced
from tests.show import test_rules as show
from tests.sweeps import test_rules as sweeps
from tests.transistor import test_rules as transistor
from tests.verdict import test_rules as verdict

TABLES = sorted(path.stem for path in reference_folder().glob("*.csv"))
TYPES, LIMITS = ("types_bjt", "types_diode"), ("limits_bjt", "limits_diode", "limits_duals")


def test_every_table_is_named_and_read_by_the_loader():
    named = (reference_folder() / "README.md").read_text(encoding="utf-8")
    for table in TABLES:
        assert f"`{table}.csv`" in named, f"reference/README.md does not name {table}.csv"
        if table != "columns":
            assert [*tables.reference_rows(table)] and columns(table), table
    package = tables.Path(tables.__file__).parents[1]
    for path in package.rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        assert path.name == "tables.py" or "reference_folder" not in text, f"{path} reads a table of its own"


# --- rules ----------------------------------------------------------------------------------------------


def _noise(seed, points):
    return np.random.default_rng(seed).standard_normal(points)


def _sweep(v, i, junction="BE", type_=""):
    rows = "".join(f"A,{junction},{a:.6g},{b:.6g},{type_}\n" for a, b in zip(v, i, strict=True))
    return "part,junction,v_V,i_A,type\n" + rows


def _diode(is_A=1e-14, shunt_ohm=np.inf, sign=1, low_V=-5.0, top_A=1e-2, noise_V=0.0, points=3):
    """A junction as it is swept from reverse to forward."""
    i = np.geomspace(1e-9, top_A, 40)
    v = 0.02569 * np.log1p(i / is_A)
    reverse = np.linspace(low_V, -0.1, points)
    v, i = np.append(reverse, v), np.append(reverse / shunt_ohm - 1e-11, i + v / shunt_ohm)
    return sign * (v + noise_V * _noise(1, v.size)), sign * i


def _zener(volts, type_="1N4742A", forward=True):
    i = np.geomspace(1e-7, 2e-2, 40)
    v, back = -(volts + 0.02569 * np.log(i / 5e-3))[::-1], -i[::-1]
    if forward:
        v, back = np.append(v, 0.02569 * np.log1p(i / 1e-14)), np.append(back, i)
    return _sweep(v, back, "AK", type_)


def _ohmic(ohm, top_V=1.0, junction="BE"):
    v = np.linspace(-top_V, top_V, 40)
    return _sweep(v, v / ohm, junction)


def _breakdown(volts, junction="AK", type_=""):
    i = np.geomspace(1e-7, 1e-3, 15)
    (v, forward), (low, back) = _diode(), (-(volts + 0.03 * np.log(i / 1e-3))[::-1], -i[::-1])
    return _sweep(np.append(low, v[3:]), np.append(back, forward[3:]), junction, type_)


def _one_point_of_breakdown():
    """5 mA at -12.5 V, nothing to be seen up to -10 V."""
    v, i = _diode()
    return _sweep(np.append([-12.5, -10, -7.5, -5, -2.5], v), np.append([-5e-3, *[-1e-11] * 4], i), "AK")


def _built_in(rs_ohm, top_A):
    v, i = _diode(shunt_ohm=3500.0, top_A=top_A)
    return _sweep(v + rs_ohm * i, i)


def _two_curves():
    """A few points as another, weaker part would have given them, next to those of the first."""
    v = np.linspace(0.2, 0.75, 40)
    i, at = 1e-14 * np.expm1(v / 0.0257), [30, 32, 34]
    return _sweep(np.append(v, v[at] + 1e-4), np.append(i, 0.5 * i[at]), "AK")


def _near_its_limit():
    """100 nA at 5 V, the registered I_EBO of the type, with some noise on it."""
    rising = np.geomspace(1e-7, 1e-2, 40)
    v = np.append(np.linspace(-5, -0.1, 30), 0.02569 * np.log1p(rising / 1e-14))
    i = np.append(np.zeros(30), rising)
    return _sweep(v, i + v / 5e7 + 3e-9 * _noise(0, v.size), "BE", "BC547B")


def _waves():
    """Currents that go 20 % to either side of the law as they rise."""
    v, i = _diode()
    wave = np.where(i > 0, 0.2 * np.sin(0.4 * np.log(np.abs(i))), 0.0)
    return _sweep(v, i * (1 + wave + 0.01 * _noise(2, v.size)))


def _swapped_leads():
    v = np.append(np.linspace(-0.78, -0.3, 20), np.linspace(0, 5, 20))
    return _sweep(v, np.where(v < 0, -1e-14 * np.expm1(-v / 0.0257), v / 5e4), "AK")


def _inside(ohm, type_="1N5817", is_A=1e-6, top_A=0.05):
    """A diode with a resistance in series."""
    v, i = _diode(is_A=is_A, top_A=top_A)
    return _sweep(v + ohm * i, i, "AK", type_)


def _soft(amps, type_="BC547B", deep_V=5.07):
    """A base whose reverse current bends up, and one wild point in its forward part."""
    (v, i), low = _diode(), np.linspace(-deep_V, -0.1, 12)
    i = np.append(-amps * np.exp((-low - deep_V) / 0.5) - 1e-11, i[3:])
    i[30] *= 3
    return _sweep(np.append(low, v[3:]), i, "BE", type_)


def _hardly_reversed(low_V):
    return _sweep(*_diode(shunt_ohm=4e7, low_V=low_V, points=20), "BE", "BC547B")


def _bag(*sweeps):
    """Sweeps as parts of one bag."""
    rows = [f"P{k}{line[1:]}" for k, text in enumerate(sweeps) for line in text.splitlines()[1:]]
    return "\n".join(["part,junction,v_V,i_A,type", *rows, ""])


def _loaded(*ohms):
    return _bag(*(_sweep(*_diode(is_A=10.0**-x, shunt_ohm=r)) for x, r in zip((13.8, 14, 14.2, 14.4), ohms,
                                                                             strict=True)))  # fmt: skip


def _damped():
    v = np.linspace(-1, 0.76, 60)
    return _sweep(v, v / 45 + 1e-13 * np.expm1(v / 0.0257) + 1e-6 * _noise(1, 60), "BE", "BU508D")


_DARK = _sweep(np.linspace(-5, 1, 40), 1e-9 * _noise(1, 40), "AK")
_RECTIFIERS = [_sweep(*_diode(is_A=10.0**-x), "AK") for x in (14, 13.8, 13.6, 13.4, 13.2)]
_LOW = np.linspace(-3.5, 0, 40)
_RISE = np.linspace(-2.5, -1.2, 30)
_STAGE = "stage --power 80W --load 8ohm --supply 42V --emitter-resistor 0.22ohm"
_DROPS = f"{_STAGE} --idle-drop 20mV --parallel 2 --measured-drops"
_FITTED = _STAGE + " BAG0 --idle-drop 20mV --parallel {} --parts {} --measured-drops"
_PARTS = ("part,polarity,ic_mA,vbe_mV,hFE,temp_C\nA,NPN,100,600,62,24\nB,NPN,100,606,70,24\n"
          "C,NPN,100,615,66,24\n")  # fmt: skip
_ALIKE = "part,polarity,ic_mA,vbe_mV,hFE,temp_C\n" + "".join(f"{x},NPN,100,600,62,24\n" for x in "ABCD")
_GOOD = "B-E=0.642 E-B=OL B-C=0.636 C-B=OL C-E=OL E-C=OL"
_MINE = ("type,polarity,material,P_tot_W,P_tot_at,V_CEO_V,I_C_A,source\n"
         "S1,NPN,silicon,1.8,ambient 25C,50,0.9,bench\n"
         "S2,NPN,germanium,4.5,case 25C,50,3,bench\n")  # fmt: skip
_TWICE = ("part,red,black,value\nA,A,K,34 ohm\nA,A,K,34.3 ohm\nB,A,K,3 ohm\nB,A,K,3.2 ohm\n"
          "C,A,K,0.612\nC,A,K,0.614\n")  # fmt: skip
_READ = "part,red,black,value\nA,{},{},{}\nA,{},{},{}\n"

#: Name -> command line and the files it reads; a bag of tests/golden is named by itself and the command, and
#: "drawn 60" is sweep 60 of tests/shelf/odd_sweeps.py.
CASES = {
    "waves": ("sort BAG0", _waves()),
    "network": ("resistor 0.33ohm --power 5W --part-power 5W",),
    "no answer": ("resistor 100 --have 47,56,220 --most-parts 2 --tolerance 2.5%",),
    "heat": ("resistor 0R22 --current 5A --power 6W",),
    "below stock": ("resistor 5mohm",), "above stock": ("resistor 30Mohm",),
    "far off": ("resistor 8ohm --have 3ohm,15ohm --power 20W --part-power 30W",),
    "across": ("resistor 100kohm --power 1W",),
    "four wires": ("resistor 0.22ohm --reading 0.32ohm --meter-resolution 0.001ohm",),
    "burnt": ("resistor 100ohm --reading 250ohm",),
    "open": ("resistor 100ohm --reading 12kohm",),
    "shorted": ("resistor 1kohm --reading 90ohm",),
    "in tolerance": ("resistor 100ohm --reading 101ohm",),
    "over the range": ("resistor 15Mohm --reading OL",),
    "small": ("resistor 0.22ohm --reading 0.3ohm --in-circuit",),
    "coarse": ("resistor 10ohm --reading 10.5ohm --meter-resolution 0.1ohm",),
    "hot place": ("substitute AC128 2N3055 --voltage 20V --current 0.3A --case-temperature 70C",),
    "gain asked": ("substitute 2N3055 MJ15003 MJ15015 --current 4A --gain 20 --gain-current 1A",),
    "capacitance": ("substitute 2N3904 2N2222A BC547 2N3053 BD139",),
    "faster": ("substitute 2N3055 MJ15003",),
    "meter stated": (f"check {_GOOD} --meter-current 1mA",),
    "small of mine": (f"check {_GOOD} --type S1 --types BAG0", _MINE),
    "germanium of mine": ("check B-E=0.2 E-B=OL B-C=0.2 C-B=OL --type S2 --types BAG0", _MINE),
    "bare emitters": (_STAGE.replace("0.22ohm", "0ohm"),),
    "planned": (_STAGE,),
    "no temperature": ("match BAG0 --emitter-resistor 0.22ohm --supply 42V", "part,ic_mA,vbe_mV,hFE\n"
                       "A,100,600,62\nB,100,606,70\nC,100,615,66\n"),
    "Darlington": (f"{_STAGE} --darlington --base-resistor 10ohm",),
    "hot Darlington": (_STAGE.replace("80W", "40W") + " --type TIP142",),
    "whole supply": ("stage --power 40W --load 8ohm --supply 60V",),
    "far too much idle": (f"{_DROPS} 52mV,51mV",),
    "volts asked": (f"{_DROPS} 20mV,0.5V",),
    "hanging": (f"{_DROPS} 20mV,1.4V",),
    "one low": (f"{_DROPS} 20mV,20mV,21mV,5mV",),
    "base to output": (f"{_DROPS} 20mV,600mV,20mV,20mV",),
    "bypassed": (f"{_DROPS} 0.2mV,0.1mV,30mV,33mV",),
    "a known resistor": (f"{_FITTED.format(4, 'A,B,C,D')} 20mV,30mV,20mV,20mV", _ALIKE),
    "known parts": (f"{_FITTED.format(3, 'A,B,C')} 31mV,20mV,14mV", _PARTS),
    "exchanged": (f"{_FITTED.format(3, 'A,B,C')} 12mV,18mV,28mV", _PARTS),
    "better places": (f"{_FITTED.format(2, 'A,C').replace('0.22', '0.22ohm,0.27')} 20mV,19mV", _PARTS),
    "cold": ("sort BAG0", "part,temp_C,B-E,E-B\nA,-85,0.6,OL\nB,-75,0.6,OL\n"),
    "read twice": ("sort BAG0", _TWICE),
    "deep": ("sort BAG0", _sweep(_LOW, -1e-14 * np.expm1(-_LOW / 0.2) - 1e-12)),
    "weak": ("sort BAG0", _sweep(*_diode(sign=-1, top_A=0.9e-7))),
    "steep": ("sort BAG0", _sweep(_RISE, -1e-5 * np.abs(_RISE / 2.5) ** 4)),
    "PNP": ("sort BAG0", _sweep(*_diode(sign=-1, low_V=-0.5))),
    "low drop": ("fit BAG0", _sweep(*(x[3:] for x in _diode(is_A=1e-6)))),
    "nothing": ("sort BAG0", _sweep(np.linspace(-5, 5, 40), np.zeros(40))),
    "megohm": ("sort BAG0", _ohmic(3e6, 5.0)),
    "over-range mark": ("sort BAG0", _sweep(*(np.append(x, y) for x, y in zip(_diode(), (0.9, 1.1e6),
                                                                             strict=True)))),
    "low Zener": ("sort BAG0", _zener(2.2, "1N4728A")),
    "Zener in reverse alone": ("sort BAG0", _zener(12.0, forward=False)),
    "deep rectifier": ("sort BAG0", _sweep(*_diode(low_V=-110.0), "AK", "1N4004")),
    "Zener at its current": ("sort BAG0", _zener(12.4)),
    "high Zener": ("sort BAG0", _zener(9.9, "1N4739A")),
    "stated": ("fit BAG0 --voltage-accuracy 0.1%+1mV --current-accuracy 0.5%+1nA",
               _sweep(*_diode(noise_V=1e-3))),
    "built in": ("sort BAG0", _built_in(0, 1e-3)),
    "built in, in series": ("sort BAG0", _built_in(8, 5e-3)),
    "built in, far": ("sort BAG0", _built_in(0, 5e-3)),
    "breakdown": ("sort BAG0", _breakdown(50)),
    "breakdown of a type": ("sort BAG0", _breakdown(40, "BC", "BC547B")),
    "one point of breakdown": ("fit BAG0", _one_point_of_breakdown()),
    "two curves": ("sort BAG0", _two_curves()),
    "near its limit": ("sort BAG0", _near_its_limit()),
    "inside": ("sort BAG0", _inside(0.95, "1N4004", 1e-12)),
    "inside, off the law": ("sort BAG0", _inside(0.8, is_A=1e-9)),
    "few points": ("sort BAG0", _sweep([-5, -2, 0, 0.9, 1.05], [-1e-8, -1e-8, 0, 0.02, 0.03], "AK",
                                       "1N5817")),
    "soft": ("sort BAG0", _soft(1e-6)),
    "soft at the end": ("sort BAG0", _soft(1.5e-7, deep_V=4.6)),
    "breaks": ("sort BAG0", _sweep(*(np.append(a, b) for a, b in zip((-90, -4e-4), _diode(low_V=-80.0),
                                                                     strict=True)), "AK", "1N4004")),
    "blind": ("sort BAG0", _sweep(*_diode(low_V=-0.3), "BE", "BC547B")),
    "leaky, hardly reversed": ("sort BAG0", _hardly_reversed(-2.0)),
    "leaky, not reversed": ("sort BAG0", _hardly_reversed(-0.4)),
    "loaded": ("sort BAG0", _loaded(1e6, 1.01e6, 0.995e6, 1.0e6)),
    "damped": ("sort BAG0", _damped()),
    "dark among others": ("sort BAG0", _bag(_DARK, *_RECTIFIERS)),
    "leads swapped": ("sort BAG0", _swapped_leads()),
    "held short": ("sort BAG0", _sweep(2e-3 * _noise(0, 30), np.repeat([-0.1, 0.1], 15), "AK")),
    "noise": ("sort BAG0", _sweep(np.linspace(-1, 1, 20), 3e-5 * _noise(3, 20), "AK")),
    "ranked": ("substitute 2N3904",),
    "ranked by power": ("substitute MJ15003 --most 90",),
    "leak unseen": ("sort BAG0 BAG1", _sweep(*_diode(shunt_ohm=8e3)),
                    _READ.format(*"BE", 0.655, *"EB", "OL")),
    "near a short": ("sort BAG0 BAG1", _ohmic(90, junction="AK"),
                     _READ.format(*"AK", "30 ohm", *"KA", "30 ohm")),
}  # fmt: skip
#: Case -> rows that it shows, each by the factor on its value.
SHOWN_BY = {
    "check 4 check": {"short_below": 1.3},
    "sweeps 1 sort": {"open_above": 1.3},
    "stage 6 stage": {"stage_rth_junction_case": 1.3, "stage_rth_case_sink": 1.3,
        "stage_peak_device": 1.3, "stage_vce": 1.3,
        "drops_prior_value": 1.3, "drops_prior_open": 1.3, "drops_prior_off": 1.3, "drops_prior_shorted": 1.3,
        "drops_prior_odd": 1.3, "drops_prior_misread": 1.3, "drops_prior_unknown": 1.3,
        "drops_prior_apart": 1.3, "drops_prior_near": 1.3, "drops_near": 1.3, "drops_range": 1.3,
        "drops_scorched": 1.3, "drops_value_most": 1.3, "drops_drift": 1.3, "drops_batch": 1.3,
        "drops_rest": 1.3, "drops_vbe_spread": 1.3, "drops_bias_band": 1.3, "drops_accuracy": 1.3,
        "drops_floor": 1.3, "drops_tolerance": 1.3, "drops_dead": 100,
        "drops_shown_margin": 1.3},
    "sweeps 16 sort": {"leakage_doubling": 1.3, "intake_temp_high": 0.01,
        "fit_decisive": 0.01, "fit_least_n": 1.3},
    "leak unseen": {"meter_leak_visible": 0.7},
    "shelf 5 substitute": {"ft_much_faster": 0.3, "hfe_differs": 1.3, "hfe_matched": 0.3},
    "capacitance": {"cob_larger": 1.3},
    "burnt": {"resistor_drifted": 1.3},
    "open": {"resistor_open": 1.3},
    "network": {"resistor_power": 1.3, "resistor_step": 4},
    "across": {"resistor_voltage": 3}, "four wires": {"resistor_four_wires": 0.3},
    "small": {"lead_resistance": 1.3},
    "shelf 3 substitute": {"place_headroom": 1.3},
    "stage 4 stage": {"stage_ambient": 1.3, "stage_sink": 1.3, "stage_load_phase": 1.3, "stage_vce_left": 100,
        "stage_close": 0.3, "loop_gain_thin": 0.3, "drops_odd_part": 1.3, "drops_most": 0.3,
        "drops_blind": 100},
    "spots 6 match": {"stage_idle_drop": 1.3, "stage_drive_headroom": 3},
    "bare emitters": {"stage_idle_bare": 1.3},
    "planned": {"stage_idle_drop_low": 1.3, "stage_idle_drop_high": 1.3, "stage_vbe_current": 2},
    "Darlington": {"stage_darlington_resistor": 1.3, "stage_hfe": 1.3, "stage_hfe_darlington": 1.3,
        "stage_vbe_idle": 1.1, "stage_vbe_driver": 1.1},
    "hot Darlington": {"stage_vbe_share": 2, "stage_junction_margin": 1.3, "stage_pulse_share": 1.3,
        "stage_pulse_frequency": 1.3,
        "stage_resistor_margin": 1.3},
    "whole supply": {"stage_supply_ample": 3},
    "spots 9 match": {"current_reach": 1.3},
    "curves 4 match": {"cause_temperature": 3},
    "no temperature": {"vbe_slope": 1.3},
    "spots 0 match": {"cause_mostly": 1.3},
    "known parts": {"drops_prior_odd_known": 1.3, "drops_warming": 1.3, "drops_vbe_mounted": 1.3,
        "drops_vague": 0.7},
    "one low": {"drops_prior_starved": 1.3, "drops_prior_leaky": 1.3, "drops_prior_rail": 1.3,
        "drops_prior_bypassed": 1.3, "drops_value_least": 1.3, "drops_value_low": 1.3, "drops_drive": 1.3,
        "drops_between": 1.3, "drops_misread_zero": 0.7, "drops_misread_place": 0.7, "drops_step": 1.3},
    "base to output": {"drops_meter_ohm": 0.7, "drops_hanging": 1.3, "drops_base_low": 1.3,
        "drops_base_high": 1.3},
    "bypassed": {"drops_rest_off": 1.3, "drops_named": 1.3},
    "a known resistor": {"drops_firm": 3},
    "exchanged": {"drops_prior_exchanged": 1.3},
    "stage 12 stage": {"drops_prior_near_alone": 1.3, "drops_lost": 0.3, "drops_coverage_lost": 1.3,
        "drops_nothing": 100, "drops_named_lost": 3},
    "hanging": {"drops_prior_ce_short": 1.3},
    "stage 5 stage": {"drops_wide": 1.3},
    "far too much idle": {"drops_alarm": 1.3},
    "volts asked": {"drops_ask": 0.1},
    "stage 8 stage": {"drops_may_be_high": 3},
    "stage 1 stage": {"drops_rails_differ": 3},
    "better places": {"drops_better_place": 100},
    "diodes 10 sort": {"intake_bare_volt_most": 0.3},
    "spoiled 4 sort": {"intake_volt_least": 100},
    "cold": {"intake_temp_low": 1.3},
    "read twice": {"intake_agree_counts": 0.5, "intake_count_volt": 0.5, "intake_count_ohm": 0.7,
        "intake_count_ohm_share": 0.7},
    "deep": {"intake_pnp_deepest": 1.3},
    "weak": {"intake_pnp_current": 0.7},
    "sweeps 5 fit": {"intake_pnp_steepness": 100, "gap_low_below": 1.3},
    "PNP": {"believed_n_low": 1.5, "intake_pnp_peak": 3, "fit_least_u_A": 1.3},
    "steep": {"intake_pnp_ratio": 3},
    "low drop": {"gap_low": 1.3},
    "sweeps 12 fit": {"gap_led_above": 3, "gap_led": 1.3, "fit_least_u_V": 100},
    "sweeps 18 fit": {"fit_guess_u_V": 1.3, "fit_guess_u_ratio": 1.3,
        "fit_poor_found": 0.01},
    "over-range mark": {"fit_over_range": 1.3},
    "megohm": {"fit_least_u_ratio": 1.3},
    "sweeps 28 sort": {"fit_limit_flat": 100, "fit_limit_expected": 100, "sweep_near_current": 100},
    "stated": {"fit_poor_stated": 0.7},
    "sweeps 15 fit": {"fit_curve_over_line": 0.01},
    "sweeps 8 fit": {"fit_path_over_open": 3},
    "sweeps 25 sort": {"fit_wild": 1.3},
    "drawn 5": {"fit_wild_share": 0.3},
    "drawn 100": {"fit_range_step": 1.5},
    "sweeps 35 fit": {"fit_unphysical": 0.3},
    "drawn 31": {"fit_offset": 0.6},
    "drawn 45": {"fit_light": 1.5, "fit_light_share": 4, "ceo_gain": 1.5},
    "shelf 6 substitute": {"substitute_exceeds": 1.3, "comparable_current": 1.3},
    "gain asked": {"gain_holds_below": 0.7},
    "hot place": {"germanium_hot": 1.3, "germanium_end": 1.3},
    "no answer": {"resistor_answer": 1.3}, "heat": {"resistor_heat_apart": 0.3},
    "below stock": {"resistor_stock_low": 1.3}, "above stock": {"resistor_stock_high": 0.7},
    "far off": {"resistor_far": 1.3},
    "shorted": {"resistor_shorted": 0.7},
    "coarse": {"resistor_coarse_share": 0.7, "resistor_coarse": 0.7},
    "in tolerance": {"ohms_accuracy": 1.3, "ohms_counts": 1.3, "ohms_resolution": 1.3, "ohms_digit": 1.3},
    "over the range": {"ohms_top": 0.7},
    "low Zener": {"zener_share_low": 1.3},
    "high Zener": {"zener_share_high": 1.3},
    "Zener at its current": {"zener_reached": 1.4, "zener_u": 2},
    "Zener in reverse alone": {"knee_never_seen": 0.7},
    "deep rectifier": {"registered_reach": 0.7},
    "drawn 82": {"points_near_zero": 4, "points_one_side": 0.2},
    "drawn 27": {"points_before_knee": 1.5, "points_chord_u": 1.5, "facts_zero": 0.25},
    "leads swapped": {"points_one_way": 50, "points_swapped_knee": 0.2},
    "drawn 6": {"points_seen": 1.5},
    "drawn 1": {"points_knee_u": 1.5, "points_steepness": 0.5, "points_ohmic": 0.5},
    "waves": {"believed_chi2": 4},
    "drawn 20": {"points_most_offset": 1.5},
    "drawn 18": {"points_both_sides": 1.5},
    "drawn 21": {"points_straight": 0.6, "sweep_prior_good": 1.5, "sweep_prior_leaky": 1.5,
        "sweep_prior_open": 1.5},
    "two curves": {"points_same_voltage": 0.2},
    "drawn 48": {"points_most_limited": 0.02},
    "held short": {"points_least_short": 0.2},
    "drawn 107": {"believed_n_high": 0.2, "sweep_ideality_u": 1.5},
    "noise": {"believed_open": 50},
    "sweeps 22 sort": {"sweep_gain_u": 3, "sweep_contact_u": 1.3, "built_in_ratio": 1.3,
        "facts_same": 0.001},
    "sweeps 18 sort": {"sweep_rs_allowed": 1.3, "never_sure": 1.3,
        "sweep_drift_u": 0.01, "sweep_near_voltage": 3},
    "sweeps 4 sort": {"sweep_leads": 1.3},
    "sweeps 23 sort": {"sweep_prior_hidden": 1.3, "alternative_named": 3, "alternative_until": 0.7},
    "built in": {"built_in_low": 1.5},
    "drawn 68": {"built_in_high": 50, "sweep_rs_u": 1.5},
    "breakdown": {"early_breakdown": 1.5, "fit_forward_V": 3},
    "one point of breakdown": {"fit_knee_share": 1.3},
    "sweeps 0 sort": {"fit_warm": 0.3, "fit_warm_rth": 3},
    "sweeps 11 sort": {"sweep_clear": 0.01},
    "near a short": {"near_short": 0.3},
    "near its limit": {"range_resolves": 1.5, "facts_reached": 1.2},
    "inside": {"sweep_prior_inside": 1.5, "sweep_inside_u": 1.5, "sweep_inside_V": 1.5},
    "inside, off the law": {"facts_drop": 1.5},
    "few points": {"believed_n_u": 0.1, "facts_share": 50, "facts_over_V": 500},
    "soft": {"facts_voltage": 0.5},
    "soft at the end": {"facts_alone": 2},
    "breaks": {"facts_breakdown": 5},
    "leaky, hardly reversed": {"sweep_bend": 1.5},
    "blind": {"range_shows": 1.5},
    "leaky, not reversed": {"sweep_reach_least": 1.5},
    "loaded": {"beside_alike": 0.1, "beside_parts": 2, "beside_least": 20},
    "damped": {"beside_below": 0.3},
    "dark among others": {"bag_start": 2, "bag_least": 2},
    "germanium of mine": {"family_germanium_power": 0.7},
    "small of mine": {"family_power": 0.7, "family_current": 0.7},
    "meter stated": {"meter_stated_spread": 1.3},
    "breakdown of a type": {"sweep_breakdown_u": 1.5},
    "built in, in series": {"built_in_series": 0.5},
    "built in, far": {"built_in_opens": 4},
}  # fmt: skip


@cache
def frozen():
    return {f"{bag.name} {call[0]}": (" ".join(call).replace("BAG", "BAG0"), bag.text)
            for bag in bags() for call in bag.calls}  # fmt: skip


@pytest.fixture
def answer(tmp_path):
    """All that the command line says to a case, but when."""

    def said(case):
        kind, _, seed = case.partition(" ")
        drawn = ("sort BAG0", odd_sweep(int(seed))) if kind == "drawn" else None
        line, *texts = drawn or CASES.get(case) or frozen()[case]
        for k, text in enumerate(texts):
            (tmp_path / f"bag{k}.csv").write_text(text, encoding="utf-8")
            line = line.replace(f"BAG{k}", str(tmp_path / f"bag{k}.csv"))
        out = tmp_path / "out.json"
        out.unlink(missing_ok=True)
        told = io.StringIO()
        with contextlib.redirect_stdout(told), contextlib.redirect_stderr(told):
            main([*line.split(" "), "--json", str(out)])
        body = out.read_text(encoding="utf-8") if out.exists() else ""
        return re.sub(r'"made": "[^"]*"', "", body) + told.getvalue()

    return said


def test_every_rule_moves_an_answer(answer):
    elsewhere = {*leads.RULES, "leads_settled", *replaced_by.CASES, *sets.CASES, *show.CASES,
                 *sweeps.ROWS, *transistor.rows(), *verdict.rows()}  # fmt: skip
    here = [name for rows in SHOWN_BY.values() for name in rows]
    assert len(here) == len({*here}) and not elsewhere & {*here}
    nowhere = rules().keys() - elsewhere - {*here}
    assert not nowhere, f"rows of rules.csv that no test moves: {sorted(nowhere)}"
    assert elsewhere | {*here} == rules().keys()
    for case, rows in SHOWN_BY.items():
        forget()
        before = answer(case)
        for name, factor in rows.items():
            with changed("rules", name, {"value": repr(factor * rules()[name].value)}):
                assert answer(case) != before, f"{name} x {factor} changes nothing of {case!r}"


# --- tables of records ------------------------------------------------------------------------------------


def _other(column, cell):
    """Another cell that the column may hold."""
    if column.kind == "number":
        return repr(0.7 * float(cell) if float(cell) else 1.0)
    if column.kind == "flag":
        return "" if cell == "yes" else "yes"
    return next(text for text in column.among if text != cell) if column.among else f"{cell} (changed)"


def _with_column(rows, k, cells):
    return [[*row[:k], cell, *row[k + 1 :]] for row, cell in zip(rows, cells, strict=True)]


def test_every_cell_of_the_tables_of_records_is_seen():
    """Changed column by column; where that is a fault in one row, cell by cell: a fault is seen as well."""
    for table in set(TABLES) - {"columns", *TYPES, *LIMITS}:
        _, heading, rows = read(table)
        for column in columns(table):
            k, before = heading.index(column.name), [*records(table).items()]
            cells = [_other(column, row[k]) if row[k] or column.kind == "flag" else "" for row in rows]
            with replaced(table, _with_column(rows, k, cells)):
                try:
                    after = [*records(table).items()]
                except ShelfError:
                    after = None
            for n, (row, cell) in enumerate(zip(rows, cells, strict=True)):
                if after is None and row[k]:
                    with changed(table, n, {column.name: cell}), contextlib.suppress(ShelfError):
                        assert repr([*records(table).items()]) != repr(before), (table, row[0], column.name)
                elif row[k]:
                    assert repr(after[n]) != repr(before[n]), f"{table}, {row[0]}: {column.name} is not read"


# --- types and their limits -------------------------------------------------------------------------------

#: Symbols that the shelf holds and shows to those who ask for a type, and no verdict goes by: a row of them
#: is seen in `find_type` alone.  (V_R is what a swept breakdown must reach where there is no V_RRM.)
ONLY_LOOKED_UP = {
    "V_CE(sat)", "V_BE(on)", "V_BE(sat)", "V_CES", "V_CER", "V_CEX", "I_CEX", "I_CES", "f_hfb", "h_fe", "V_R",
    "V_BR", "Z_ZK",
}  # fmt: skip
_THERMAL = {"case": "R_thJC", "ambient": "R_thJA", "lead": "R_thJL"}
#: Further rows of a symbol at a current or voltage at which another row already speaks.
#: V_F of a transistor is that of its damper diode.
SECOND = {
    ("2N2369A", "h_FE"), ("BDW93C", "V_F"), ("BDW94C", "V_F"), ("2N2219A", "h_FE"), ("2N2222A", "h_FE"),
    ("1N4448", "I_R"), ("1N914", "I_R"), ("1N4148", "I_R"),
}  # fmt: skip


def types():
    """All types of the reference tables by name; a fault in place of one that has it."""
    shelf, found = type_shelf(), {}
    for name in shelf.names():
        try:
            found[name] = shelf.get(name)
        except ShelfError as fault:
            found[name] = fault
    return found


@pytest.mark.parametrize("table", TYPES)
def test_every_number_of_a_type_is_seen(table):
    _, heading, rows = read(table)
    before = types()
    for column in columns(table):
        k = heading.index(column.name)
        if column.kind != "number":
            continue
        # the ratings that may not be under another one rise, the others fall
        factor = 1.01 if column.symbol in ("V_CBO", "I_CM") else 0.99
        cells = [repr(factor * float(row[k])) if row[k] else "" for row in rows]
        with replaced(table, _with_column(rows, k, cells)):
            after = types()
        for name, cell in zip((row[0] for row in rows), cells, strict=True):
            if cell and column.symbol:
                seen, was = after[name].rating(column.symbol), before[name].rating(column.symbol)
                assert isclose(seen, factor * was), f"{table}, {name}: {column.name} is not read"
            elif cell:
                assert after[name] != before[name], f"{table}, {name}: {column.name} is not read"


@pytest.mark.parametrize("table", LIMITS)
def test_every_number_of_a_limit_is_seen(table):
    _, heading, rows = read(table)

    def held():
        return matched_duals() if "duals" in table else {n: type_shelf().get(n).limits for n in names}

    names, sides = {row[0] for row in rows}, {"min": "low", "typ": "typical", "max": "high"}
    before = held()
    lower = [[repr(0.99 * float(cell)) if cell and name in sides else cell
              for name, cell in zip(heading, row, strict=True)] for row in rows]  # fmt: skip
    with replaced(table, lower):
        after = held()
    count: dict = {}
    for row in rows:
        name, symbol = row[:2]
        n = count[name, symbol] = count.get((name, symbol), -1) + 1
        seen, was = ([x for x in found[name] if x.symbol == symbol][n] for found in (after, before))
        for side, field in sides.items():
            stated = row[heading.index(side)]
            moved = isclose(getattr(seen, field), 0.99 * getattr(was, field))
            assert moved or not stated, f"{table}, {name} {symbol}: {side} is not read"


def test_every_limit_made_a_fifth_looser_is_noticed():
    """By what a substitute is held to, by the limit of a leak, or by the power it may have."""

    def noticed(part, other):
        found = compare(part, other)
        power = [power_at_W(other, where, 60.0) for where in ("case", "ambient", "lead")]
        held = [registered_leak(other, junction) for junction in LEAK_SYMBOLS]
        return repr((found.lines, found.warnings, held, power))

    seen, unseen, shelf = set(), set(), types()
    for part in shelf.values():
        before = noticed(part, part)
        of_its_type = shelf[part.group_of].limits if part.group_of else ()  # seen there
        for k, limit in enumerate(part.limits):
            redundant = _THERMAL.get(power_reference(part)[0]) == limit.symbol or limit in of_its_type
            if redundant or isnan(limit.low) and isnan(limit.high):
                continue  # the power itself holds there; a typical figure is never a limit
            loose = replace(limit, low=limit.low / 1.2, high=limit.high * 1.2)
            other = replace(part, limits=(*part.limits[:k], loose, *part.limits[k + 1 :]))
            where = seen if noticed(part, other) != before else unseen
            where.add((part.name, limit.symbol))
    # by a leak that only a page or memory knows of, no part is judged
    only_told = {part.name for part in shelf.values() if part.secondary}
    unseen = {(name, symbol) for name, symbol in unseen if symbol not in ONLY_LOOKED_UP
              and not (name in only_told and symbol in ("I_CBO", "I_CEO", "I_EBO"))}  # fmt: skip
    assert unseen == SECOND, f"a limit a fifth looser changes nothing: {sorted(unseen ^ SECOND)}"
    assert not ONLY_LOOKED_UP & {symbol for _, symbol in seen}
