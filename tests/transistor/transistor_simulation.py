"""Simulated transistor measurements: true parts, their curves with noise, and what they should say.

Independent of the fit: it uses the physics layer alone, which is itself held to ngspice.
"""

import numpy as np

from junction.physics.temperature import TemperatureLaw, transistor_parameters
from junction.physics.transistor import currents, operating_point
from tests.tables import curve_table, spot_part

LAW = TemperatureLaw(XTB=0.0, u_EG_eV=0.0, u_XTB=0.0)
#: Standard uncertainties of a decent bench: 0.02 % + 0.2 mV, 0.3 % of current.
V_PERCENT, V_FLOOR, I_PERCENT = 0.02, 2e-4, 0.3


def power_parts(n, rng):
    """Spread of a bag of power transistors; (n, 1) arrays by SPICE name."""

    def spread(value, sigma):
        return value * np.exp(sigma * rng.standard_normal((n, 1)))

    return {
        "IS": spread(5e-13, 0.5), "NF": spread(1.0, 0.005), "BF": spread(100.0, 0.25),
        "ISE": spread(2e-12, 0.5), "NE": spread(1.6, 0.03), "IKF": spread(5.0, 0.2), "VAF": spread(80.0, 0.2),
        "RE": spread(0.03, 0.2), "RB": spread(2.0, 0.2), "RC": spread(0.05, 0.2), "BR": spread(5.0, 0.2),
    }  # fmt: skip


def small_parts(n, rng):
    """Small-signal transistors."""

    def spread(value, sigma):
        return value * np.exp(sigma * rng.standard_normal((n, 1)))

    return {
        "IS": spread(1.4e-14, 0.5), "NF": spread(1.0, 0.005), "BF": spread(300.0, 0.25),
        "ISE": spread(5e-14, 0.5), "NE": spread(1.45, 0.03), "IKF": spread(0.08, 0.2),
        "VAF": spread(90.0, 0.2), "RE": spread(0.4, 0.2), "RB": spread(20.0, 0.2), "RC": spread(0.8, 0.2),
        "BR": spread(7.0, 0.2),
    }  # fmt: skip


def germanium_parts(n, rng):
    """Germanium power transistors: V_BE of 0.2 V, leakage of the collector junction in the base current."""

    def spread(value, sigma):
        return value * np.exp(sigma * rng.standard_normal((n, 1)))

    return {
        "IS": spread(2e-6, 0.4), "NF": spread(1.0, 0.01), "BF": spread(80.0, 0.3), "ISE": spread(1e-6, 0.3),
        "NE": spread(1.8, 0.05), "IKF": spread(1.0, 0.2), "VAF": spread(50.0, 0.2), "RE": spread(0.1, 0.2),
        "RB": spread(10.0, 0.2), "RC": spread(0.1, 0.2), "BR": spread(10.0, 0.2),
    }  # fmt: skip


def darlington_parts(n, rng):
    """Darlingtons as one transistor with twice the voltage: NF near 2, gain of thousands."""

    def spread(value, sigma):
        return value * np.exp(sigma * rng.standard_normal((n, 1)))

    return {
        "IS": spread(1e-13, 0.4), "NF": spread(1.95, 0.01), "BF": spread(3000.0, 0.3),
        "ISE": spread(1e-13, 0.3), "NE": spread(2.5, 0.05), "IKF": spread(5.0, 0.2),
        "VAF": spread(100.0, 0.2), "RE": spread(0.05, 0.2), "RB": spread(50.0, 0.2),
        "RC": spread(0.1, 0.2), "BR": spread(1.0, 0.2),
    }  # fmt: skip


def noisy(rng, value, percent, floor):
    return value + rng.standard_normal(value.shape) * np.hypot(0.01 * percent * value, floor)


def recorded_temperatures(recorded, n, rng):
    return rng.uniform(20.0, 32.0, n) if recorded is None else np.broadcast_to(recorded, (n,)).astype(float)


def at_temperature(params, temp_C):
    return transistor_parameters(params, temp_C, 25.0, LAW)


def gummel_table(params, rng, *, vbe=(0.5, 0.95, 25), vces=(2.0, 10.0), recorded=None, u_temp=0.5,
                 rth=0.0, scale=1.0, polarity="NPN", names=None):  # fmt: skip
    """Gummel sweeps at several V_CE, with noise (times `scale`) and a temperature recorded with an error."""
    n = params["IS"].shape[0]
    recorded = recorded_temperatures(recorded, n, rng)
    ambient = (recorded + u_temp * rng.standard_normal(n))[:, None]
    v = np.tile(np.linspace(*vbe), len(vces))[None] + np.zeros((n, 1))
    vce = np.repeat(vces, vbe[2])[None] + np.zeros((n, 1))
    junction = ambient + np.zeros_like(v)
    for _ in range(1 if rth == 0 else 40):
        ic, ib = currents(v, vce, at_temperature(params, junction), junction)
        junction = junction + 0.5 * np.minimum(ambient + rth * ic * vce - junction, 40.0) * (rth > 0)
    rise = (junction - ambient).max(1)
    table = curve_table(
        names or [f"P{k}" for k in range(n)], list(noisy(rng, vce, scale * V_PERCENT, scale * V_FLOOR)),
        list(noisy(rng, v, scale * V_PERCENT, scale * V_FLOOR)),
        list(noisy(rng, ib, scale * I_PERCENT, 1e-12)), list(noisy(rng, ic, scale * I_PERCENT, 1e-12)),
        temp_C=recorded, polarity=[polarity] * n,
    )  # fmt: skip
    return table, rise


def vbe_for_ib(params, ib, vce, temp_C):
    """Terminal V_BE at a base current, by bisection on the terminal model."""
    low = np.zeros(np.broadcast_shapes(ib.shape, vce.shape))
    high = low + 3.0
    for _ in range(55):
        mid = 0.5 * (low + high)
        up = currents(mid, vce, params, temp_C)[1] > ib
        low, high = np.where(up, low, mid), np.where(up, mid, high)
    return 0.5 * (low + high)


def output_table(params, rng, *, ibs=(1e-3, 3e-3, 1e-2, 3e-2), iceo=2e-6, recorded=None, names=None):
    """Families of output curves at steps of I_B, V_BE not measured; two points with the base open."""
    n = params["IS"].shape[0]
    recorded = recorded_temperatures(recorded, n, rng)
    temp = (recorded + 0.5 * rng.standard_normal(n))[:, None]
    grid = np.concatenate([np.linspace(0.05, 1.0, 8), np.linspace(1.5, 12.0, 12)])
    ib = np.repeat(ibs, grid.size)[None] + np.zeros((n, 1))
    vce = np.tile(grid, len(ibs))[None] + np.zeros((n, 1))
    p = at_temperature(params, temp)
    ic, _ = currents(vbe_for_ib(p, ib, vce, temp), vce, p, temp)
    vce = np.hstack([noisy(rng, vce, V_PERCENT, V_FLOOR), np.full((n, 2), 10.0)])
    ib = np.hstack([noisy(rng, ib, I_PERCENT, 1e-12), np.zeros((n, 2))])
    ic = np.hstack([noisy(rng, ic, I_PERCENT, 1e-12), np.full((n, 2), iceo)])
    return curve_table(
        names or [f"P{k}" for k in range(n)], list(vce), list(np.full(vce.shape, np.nan)), list(ib), list(ic),
        temp_C=recorded, polarity=["NPN"] * n,
    )  # fmt: skip


def spot_readings(params, rng, ic_A, *, recorded=None, spot=None, polarity="NPN", type="", names=None):
    """V_BE and h_FE at a collector current, each with the errors that `spot` (reading_noise) states."""
    n = params["IS"].shape[0]
    recorded = recorded_temperatures(recorded, n, rng)
    temp = (recorded + 0.5 * rng.standard_normal(n))[:, None]
    vce = spot["vce_V"] + spot["u_vce_V"] * rng.uniform(-1, 1, (n, 1)) * 3**0.5
    actual = noisy(rng, np.full((n, 1), ic_A), spot["ic_percent"], 0.0)
    point = operating_point(actual, vce, at_temperature(params, temp), temp)
    vbe = point.vbe + spot["u_vbe_V"] * rng.standard_normal((n, 1))
    hfe = actual / point.ib * (1 + 0.01 * spot["hfe_percent"] * rng.standard_normal((n, 1)))
    return [
        spot_part(names[k] if names else f"P{k}", float(ic_A), float(vbe[k, 0]), float(hfe[k, 0]),
                  float(recorded[k]), polarity=polarity, type=type)
        for k in range(n)
    ]  # fmt: skip


def joined(*tables):
    """One table of several."""
    pick = lambda name: [  # noqa: E731
        getattr(t, name)[t.points(k)] for t in tables for k in range(len(t))
    ]
    return curve_table(
        [p for t in tables for p in t.part], pick("vce_V"), pick("vbe_V"), pick("ib_A"), pick("ic_A"),
        temp_C=np.concatenate([t.temp_C for t in tables]), polarity=[p for t in tables for p in t.polarity],
    )  # fmt: skip


def truth_at(params, ic, vce, temp_C):
    """True V_BE and h_FE."""
    point = operating_point(ic, vce, at_temperature(params, temp_C), temp_C)
    return point.vbe, ic / point.ib
