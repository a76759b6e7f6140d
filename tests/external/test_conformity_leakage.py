"""Leakage as judgement refers it to a limit, against worked textbook figures and rules of the trade."""

from types import SimpleNamespace

import numpy as np
import pytest

from junction.physics.junction import current
from junction.shelf.tables import families, rules
from junction.verdict import sweeps
from tests.tables import sweep_table
from tests.verdict.made_fits import made_fits

DIODE = families()["switching diode"]
SCHOTTKY = families()["Schottky"]


def changed(family, **fields):
    return SimpleNamespace(**vars(family) | fields)


def judged(monkeypatch, row, family, temp_C=25.0):
    monkeypatch.setattr(sweeps, "families", lambda: {family.name: family})
    v = np.linspace(-2.0, 0.7, 60)
    path = row.get("RSH_ohm", row.get("R_ohm", np.inf))
    i = current(v, row.get("IS_A", 1e-200), row.get("N", 1.0), RSH_ohm=path, temp_C=temp_C)
    table = sweep_table(["X"], ["AK"], [v], [i], [temp_C])
    return sweeps.judge_sweeps(table, made_fits([row], [temp_C]))[0]


@pytest.mark.external
def test_ohmic_surface_leakage_is_carried_to_another_voltage(monkeypatch):
    """Malvino, Electronic Principles, example 2-7: 2 nA at 25 V is 12.5 Gohm, and 2.8 nA at 35 V."""
    row = {"model": "junction + shunt", "IS_A": 1e-15, "N": 1.05, "RS_ohm": 1.0, "RSH_ohm": 25.0 / 2e-9}
    assert row["RSH_ohm"] == pytest.approx(12.5e9, rel=1e-12)
    found = judged(monkeypatch, row, changed(DIODE, leak_at_V=35.0, leak_max_A=2.9e-9))
    assert found.finding.numbers["leak"] == pytest.approx(2.8e-9, rel=1e-3)  # 1e-15 A of IS is 4e-7 of it


@pytest.mark.external
@pytest.mark.parametrize(
    "temp_C, factor",
    [(70.0, 23.0), (80.0, 45.0)],
    ids=["De, Basic Electronics, example 2-19", "S. Sharma, Electronic Devices, example 4.6"],
)
def test_saturation_current_is_referred_to_25_degC(monkeypatch, temp_C, factor):
    """Doubling for each 10 degC: what is measured hot is judged as the 1 uA that it is at 25 degC."""
    row = {"model": "junction", "IS_A": factor * 1e-6, "N": 1.05, "RS_ohm": 1.0, "low": {"RSH_ohm": 1e9}}
    found = judged(monkeypatch, row, SCHOTTKY, temp_C)
    assert found.finding.numbers["leak"] == pytest.approx(1e-6, rel=0.02)  # the books round 22.6 and 45.3


@pytest.mark.parametrize("ohm, verdict", [(40.0, "shorted"), (62.0, "leaky")])
def test_a_short_is_under_50_ohm(monkeypatch, ohm, verdict):
    """Common practice, no source."""
    assert rules()["short_below"].value == 50.0
    assert judged(monkeypatch, {"model": "resistor", "R_ohm": ohm}, DIODE).verdict == verdict


def test_an_open_is_over_1_megohm(monkeypatch):
    """Common practice, no source."""
    family = changed(DIODE, vf_high_V=0.5)
    assert judged(monkeypatch, {"model": "resistor", "R_ohm": 5e6}, family).verdict == "open"
