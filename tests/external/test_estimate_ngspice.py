"""Sweeps of known parts made by ngspice, fitted: the parameters come back within their own intervals.

The decks run live.  Each diode's RSH is a resistor across it, and the decks ask for 1e-9 of relative
accuracy.  Between 0 and -1 V no points are taken: beyond three N kT/q of reverse bias ngspice replaces
the exponential by a cubic in 1/v, which differs from the equation by up to 0.4 % of IS there and by less
than 4e-5 of IS below -1 V.  ngspice's constants give kT/q at 25 degC within 1e-6 of ours.  Beside the
run, the numbers one run gave are kept, so that a change of simulator shows.
"""

import subprocess

import numpy as np
import pytest

from junction.sweeps.derived import current_at_voltage, voltage_at_current
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from tests.sweeps.sweep_simulation import noisy
from tests.tables import sweep_table

#: name -> (IS [A], N, RS [ohm], RSH [ohm], lowest and highest voltage [V]).
PARTS = {
    "small-signal": (2e-14, 1.02, 1.5, 2e8, -5.0, 0.8),
    "power": (5e-12, 1.05, 0.05, 5e6, -5.0, 0.8),
    "rectifier": (3e-9, 1.8, 0.04, 1e7, -10.0, 0.95),
    "Schottky": (1e-7, 1.06, 0.15, 2e5, -5.0, 0.55),
    "germanium": (2e-6, 1.1, 2.0, 1e5, -3.0, 0.4),
    "leaky": (2e-14, 1.02, 1.5, 3e4, -3.0, 0.8),
}
#: Voltage and current [V, A] that ngspice 39 gave on 2026-11-25.
KEPT = {
    "small-signal": (0.3013333333333, 3.477911514338e-09),
    "power": (0.3013333333333, 4.150809180814e-07),
    "rectifier": (0.3008333333333, 2.032464594848e-06),
    "Schottky": (0.3006666666667, 0.006030020462812),
    "germanium": (0.3, 0.01991212583264),
    "leaky": (0.3013333333333, 1.0045912261e-05),
}


def deck(is_A, n, rs, rsh, low, high):
    return f"""* one diode with a shunt
.model probe d(is={is_A} n={n} rs={{0}})
v1 a 0 dc 0
rs a j {rs}
d1 j 0 probe
rsh j 0 {rsh}
.options temp=25 tnom=25 reltol=1e-9 abstol=1e-18 vntol=1e-12 gmin=1e-18
.control
set numdgt=12
dc v1 0 {high} {high / 300}
wrdata OUT -i(v1)
dc v1 {low} -1 {(-1 - low) / 30}
wrdata REVERSE -i(v1)
quit
.endc
.end
"""


@pytest.fixture(scope="module")
def sweeps(tmp_path_factory):
    """(v, i) of every part, from ngspice."""
    program = "ngspice"
    out = {}
    for name, values in PARTS.items():
        folder = tmp_path_factory.mktemp(name.replace(" ", "-"))
        text = (
            deck(*values)
            .replace("OUT", str(folder / "out.txt"))
            .replace("REVERSE", str(folder / "reverse.txt"))
        )
        (folder / "deck.cir").write_text(text.replace("{0}", "0"))
        run = subprocess.run([program, "-b", folder / "deck.cir"], capture_output=True, text=True, timeout=60)
        assert (folder / "out.txt").exists(), run.stdout + run.stderr
        data = np.vstack([np.loadtxt(folder / "reverse.txt")[:, :2], np.loadtxt(folder / "out.txt")[:, :2]])
        out[name] = data[:, 0], data[:, 1]
    return out


@pytest.mark.external
def test_exact_sweeps_give_the_parameters_back(sweeps):
    """No noise but the print's: the parameters come back to five digits or better."""
    names = list(sweeps)
    table = sweep_table(
        names, ["AK"] * len(names), *zip(*sweeps.values(), strict=True), [25.0] * len(names)
    )
    fits = fit_sweeps(table, Noise(0, 1e-6, 1e-4, 1e-12))
    for k, name in enumerate(names):
        is_A, n, rs, rsh, _, _ = PARTS[name]
        assert fits.model_name(k) == "junction + shunt", name
        # kT/q of the two differs by 3.4e-7; germanium feels what is left of the cubic below -1 V
        assert fits.value["N"][k] == pytest.approx(n, rel=1e-5), name
        assert fits.value["IS_A"][k] == pytest.approx(is_A, rel=5e-5), name
        assert fits.value["RS_ohm"][k] == pytest.approx(rs, rel=2e-5), name
        assert fits.value["RSH_ohm"][k] == pytest.approx(rsh, rel=1e-5), name


def test_the_simulator_gives_what_it_gave(sweeps):
    for name, (voltage, current) in KEPT.items():
        v, i = sweeps[name]
        at = int(np.argmin(np.abs(v - voltage)))
        assert v[at] == pytest.approx(voltage, abs=1e-9)
        assert i[at] == pytest.approx(current, rel=1e-6), name  # its versions differ in their constants


@pytest.mark.external
@pytest.mark.parametrize("stated", [True, False])
def test_noisy_sweeps_hold_the_truth_in_their_intervals(sweeps, stated):
    """40 noisy readings of each: 95 % of all intervals hold, within three binomial standard deviations."""
    rng = np.random.default_rng(31)
    noise = Noise(0, 3e-4, 0.3, 1e-9)
    names = [name for name in sweeps for _ in range(40)]
    pairs = [noisy(*sweeps[name], rng, noise) for name in names]
    table = sweep_table(names, ["AK"] * len(names), *zip(*pairs, strict=True), [25.0] * len(names))
    fits = fit_sweeps(table, noise if stated else None, temp_u_K=(0.0, 0.0))  # ngspice's is exact
    for k, parameter in enumerate(("IS_A", "N", "RS_ohm", "RSH_ohm")):
        truth = np.array([PARTS[name][k] for name in names])
        share = np.mean((fits.low[parameter] <= truth) & (truth <= fits.high[parameter]))
        # 240 intervals: standard deviation 1.4 %; upwards free where the noise is found (see coverage test)
        assert 0.95 - 0.042 <= share <= (0.95 + 0.042 if stated else 1.0), (parameter, share)


@pytest.mark.external
def test_derived_values_agree_with_the_simulator(sweeps):
    names = list(sweeps)
    table = sweep_table(
        names, ["AK"] * len(names), *zip(*sweeps.values(), strict=True), [25.0] * len(names)
    )
    fits = fit_sweeps(table, Noise(0, 1e-6, 1e-4, 1e-12))
    for k, name in enumerate(names):
        v, i = sweeps[name]
        at = int(np.searchsorted(v, 0.3))
        current, _ = current_at_voltage(fits, v[at])
        assert current[k, 0] == pytest.approx(i[at], rel=1e-5), name
        voltage, _ = voltage_at_current(fits, i[-20])
        assert voltage[k, 0] == pytest.approx(v[-20], abs=2e-7), name
