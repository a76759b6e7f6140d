"""How devices with one drive node share a current, for all candidate sets at once.

The devices of a set have their collectors on the rail, their emitters through their own resistors on
the output, and their bases through their own resistors on one drive node.  Unknown are each device's
ln IC and the drive voltage V; the equations are V_k(ln IC_k) = V for each device and the sum of the
emitter currents.  The Jacobian is a diagonal with a border, so a Newton step costs no linear algebra
and runs over any number of sets together.

V_k needs no inner solve, because the forward dc Gummel-Poon equations can be turned round in closed form.
With IC = IF/qb, qb = q1 (1 + sqrt(1 + 4 IF/IKF))/2 and 1/q1 = A, the current a = IC/A gives

    IF = a (1 + a/IKF),        V_B'E' = NF VT ln(1 + IF/IS).

A depends on V_B'C' and so weakly on V_B'E' itself; two repeats settle it to 1e-9.

Electrothermal: T_k = T_mean + R_th (P_k - P_mean), the mean being the stage's business.  A rise of
temperature lowers V_BE by about 2 mV/K, so the warmer device takes more current.  The set is stable
while every disturbance of the temperatures dies out: the largest eigenvalue of the loop (temperature ->
current -> power -> temperature) is below 1.  For one device on a stiff drive, or equal ones sharing a
current, that is the textbook condition theta dP/dT < 1 (Kakani and Bhandari, Electronic Devices and
Circuits, ch. 6).

What the measurements leave open is drawn for all parts together.  Only differences between parts move
current, so errors that parts share are drawn once for all of them: the temperature law of silicon, what
`junction.transistor` learned of a type from its parts, and whatever a part's data say nothing of.  Curves
taken at one V_CE leave the Early voltage at a default that may be off by a factor, but by nearly the same
factor for all parts of one type.

References
----------
Gummel and Poon, Bell Syst. Tech. J. 49 (1970) 827; Getreu, Modeling the Bipolar Transistor (1976);
temperature laws as in SPICE (IS with EG and XTI, BF with XTB).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np

from junction.amplifier.results import OperatingPoint, Stage
from junction.base.units import ZERO_CELSIUS_K, thermal_voltage
from junction.physics.temperature import TemperatureLaw, transistor_parameters
from junction.sweeps.results import TransistorFits
from junction.transistor.values import OF_A_TYPE, between_parts, draw_steps, sensitivities

#: Newton stops when every drive voltage agrees to this [V]; a nanovolt is 4e-8 of a current.
TOLERANCE_V = 1e-9
_MAX_STEPS = 40
#: Steps of the thermal resistance that lead from the cold stage to the heated one.
HEAT_STEPS = 8
#: Draws of the parts; the 95 % limits scatter by about 4 % of u with this many.  One bag gives one answer.
DRAWS, _SEED = 500, 1
#: In a large bag fewer draws do: this many draws times parts, but never below so many draws.
_DRAWS_TIMES_PARTS, _FEWEST_DRAWS = 200_000, 200
#: Values that leave an effect out, for parameters a fit does not hold (SPICE defaults); DV [V] and LNB
#: are an offset of V_BE and the logarithm of a factor on the base current, for draws; TURN [V] takes back
#: what drawn resistances drop at the operating point; INNER is the base current that resistors inside a
#: Darlington take [A].
ABSENT = {
    "IS": 1e-12, "NF": 1.0, "BF": 100.0, "ISE": 0.0, "NE": 1.5, "IKF": np.inf, "VAF": np.inf,
    "RE": 0.0, "RB": 0.0, "RC": 0.0, "EG": 1.11, "XTI": 3.0, "XTB": 0.0, "DV": 0.0, "LNB": 0.0,
    "TURN": 0.0, "INNER": 0.0,
}  # fmt: skip


@dataclass(frozen=True, eq=False)
class Devices:
    """Gummel-Poon parameters of parts as arrays; the last axis is the part, leading ones are draws.

    Parameters
    ----------
    values : dict of str to ndarray
        Per SPICE name in `ABSENT`, in SI units, all broadcastable to one shape (..., n) [A, ohm, V, 1];
        they hold at `REFERENCE_TEMP_C`.
    """

    values: Mapping[str, np.ndarray]

    @property
    def shape(self) -> tuple[int, ...]:
        """Common shape of the parameter arrays."""
        return np.broadcast_shapes(*(np.shape(v) for v in self.values.values()))

    def take(self, members) -> Devices:
        """Parameters of the parts in `members` (s, k), as arrays of shape (..., s, k)."""
        n = self.shape[-1]
        picked = {
            name: np.broadcast_to(v, (*np.shape(v)[:-1], n))[..., members] if np.ndim(v) else v
            for name, v in self.values.items()
        }
        return Devices(picked)

    def at(self, temp_C) -> dict[str, np.ndarray]:
        """Parameters carried to a temperature by the SPICE laws, with the thermal voltage as ``VT``."""
        v, vt = self.values, thermal_voltage(np.asarray(temp_C, float))
        law = TemperatureLaw(v["EG"], v["XTI"], v["XTB"])
        # d ln(IS)/dT is for the electrothermal derivative [1/K]
        slope = (v["XTI"] + v["EG"] / vt) / (np.asarray(temp_C, float) + ZERO_CELSIUS_K)
        return {**transistor_parameters(v, temp_C, law=law), "VT": vt, "dlnIS": slope}


def devices_from_fits(fits: TransistorFits) -> Devices:
    """Devices of a batch of fits."""
    columns = {}
    for name, default in ABSENT.items():
        given = fits.value[..., fits.names.index(name)] if name in fits.names else default
        # what the data cannot hold leaves its effect out
        given = np.where(np.isfinite(given), given, default)
        # SPICE writes "no such effect" as zero
        columns[name] = np.where(given > 0, given, np.inf) if name in ("IKF", "VAF") else given
    if fits.inner_ib_A is not None:
        columns["INNER"] = np.asarray(fits.inner_ib_A)
    return Devices(columns)


def with_common_defaults(fits: TransistorFits) -> TransistorFits:
    """The same fits with the error of every default counted as shared within a type.

    Parameters
    ----------
    fits : TransistorFits

    Returns
    -------
    TransistorFits
        ``shared`` has a column more for each type and each parameter that stands at a default; the part of
        its variance that exceeds the spread between parts of one type goes there, with what it drags along.
    """
    n, p = fits.value.shape
    kin = np.zeros((n, p, 0)) if fits.shared is None else fits.shared
    rest = np.where(np.isfinite(fits.covariance), fits.covariance, 0.0) - kin @ np.swapaxes(kin, 1, 2)
    kinds = list(zip(fits.polarity, fits.type, strict=True))
    columns = [kin]
    for kind in dict.fromkeys(kinds):
        for j, name in enumerate(fits.names):
            own = [k for k in range(n) if kinds[k] == kind and fits.fixed[k, j]]
            if name not in OF_A_TYPE or not own:
                continue
            column = np.zeros((n, p, 1))
            variance = np.maximum(rest[own, j, j], 1e-300)
            common = np.clip(1 - between_parts(name) ** 2 / variance, 0.0, 1.0)
            column[own, :, 0] = rest[own, :, j] * np.sqrt(common / variance)[:, None]
            rest = rest - column @ np.swapaxes(column, 1, 2)
            columns.append(column)
    return replace(fits, shared=np.concatenate(columns, axis=2))


#: Offset of V_BE [V] and logarithm of a factor on a parameter from which on nothing is known of either.
_MOST_OFFSET_V, _MOST_FACTOR = 100.0, 20.0


def drawn_devices(fits: TransistorFits, stage: Stage, draws: int = DRAWS) -> dict[str, Devices]:
    """Draws of the parts under their measurement's uncertainty, one batch for each operating point.

    A part known from one reading has parameters that may be wrong by factors while its V_BE near that
    reading is known to a millivolt: the errors cancel to first order, and only to first order.  So what
    is drawn is not the parameters but what they do at the operating point, to first order: an offset of
    V_BE and a factor on the base current, from the same correlated steps of the parameters' logarithms.
    How V_BE rises with the current is drawn as well: by the resistances, turned about the operating point.
    One reading says nothing of them, and parts whose V_BE differs share better the more there is of them.

    Parameters
    ----------
    fits : TransistorFits
        n parts.
    stage : Stage
    draws : int
        Number of draws; fewer for a large bag.

    Returns
    -------
    dict of str to Devices
        By name of the point; shape (draws, n).
    """
    draws = min(draws, max(_FEWEST_DRAWS, _DRAWS_TIMES_PARTS // max(len(fits), 1)))
    step = draw_steps(with_common_defaults(fits), draws, _SEED)
    step = np.clip(np.where(np.isfinite(step), step, 0.0), -_MOST_FACTOR, _MOST_FACTOR)
    fitted = devices_from_fits(fits)
    out = {}
    for point in (stage.idle, stage.peak):
        ic = point.total_A / stage.parallel
        vce = max(point.vce_V - ic * float(np.mean(point.re_ohm)), 1.0)
        _, _, by_v, by_ln_hfe = sensitivities(fits, ic, vce, point.temp_C)
        offset, factor = (
            np.einsum("np,dnp->dn", np.where(np.isfinite(x), x, 0.0)[:, 0], step) for x in (by_v, -by_ln_hfe)
        )
        offset = np.clip(offset, -_MOST_OFFSET_V, _MOST_OFFSET_V)
        factor = np.clip(factor, -_MOST_FACTOR, _MOST_FACTOR)
        at = drive_point(Devices({**fitted.values, "LNB": factor}), np.log(ic), vce, point.temp_C)
        drawn, turn = {}, 0.0
        for name, amps in (("RE", at.ie_A), ("RB", at.ib_A)):
            more = fitted.values[name] * np.expm1(step[..., fits.names.index(name)])
            drawn[name], turn = fitted.values[name] + more, turn - more * amps
        out[point.name] = Devices({**fitted.values, **drawn, "DV": offset, "TURN": turn, "LNB": factor})
    return out


def spread_apart(drawn) -> np.ndarray:
    """Standard deviation of draws (d, n) of each part beside the others, in their unit.

    An error that all parts of a draw share moves no current from one to another.
    """
    n = drawn.shape[-1]
    own = drawn - np.mean(drawn, axis=-1, keepdims=True)
    return own.std(axis=0) * (n / (n - 1) if n > 1 else 1.0) ** 0.5


def drive_point(devices: Devices, log_ic, vce_V, temp_C, re_ohm=0.0, rb_ohm=0.0) -> SimpleNamespace:
    """Voltage between the drive node and the output node that makes each device carry its current.

    Parameters
    ----------
    devices : Devices
    log_ic : ndarray
        ln(IC / 1 A).
    vce_V, temp_C : float or ndarray
        Voltage from collector to the output node, emitter resistor included [V]; junction
        temperature [degC].
    re_ohm, rb_ohm : float or ndarray
        External emitter and base resistors [ohm].

    Returns
    -------
    namespace
        Arrays that broadcast alike: ``drive_V`` [V]; ``slope_V`` = dV/d ln IC [V]; ``vbe_V`` at the terminals
        [V]; ``ib_A``, ``ie_A`` [A]; ``ie_slope_A`` = dIE/d ln IC [A]; ``temp_slope_V_per_K`` = dV/dT at
        constant IC [V/K].
    """
    p = devices.at(temp_C)
    ic = np.exp(log_ic)
    nvt = p["NF"] * p["VT"]
    scale = np.exp(p["LNB"])
    emitter, base = re_ohm + p["RE"], rb_ohm + p["RB"]
    early, inverse_vaf = 1.0, 1.0 / p["VAF"]
    for repeat in range(3):
        a = ic / early
        diffusion = a * (1 + a / p["IKF"])
        forward = 1 + diffusion / p["IS"]
        vbe = nvt * np.log(forward)
        recombination = p["ISE"] * forward ** (p["NF"] / p["NE"])
        ib = scale * (diffusion / p["BF"] + recombination - p["ISE"] + p["INNER"])
        ie = ic + ib
        if repeat < 2:
            # below the knee the Early factor means nothing; hold it at its value for V_BC = 0
            early = 1 + np.maximum(vce_V - ie * emitter - ic * p["RC"] - vbe, 0.0) * inverse_vaf
    early_slope = -(ie * emitter + ic * p["RC"]) * inverse_vaf / early
    a_slope = 1 - early_slope  # d ln a / d ln IC
    dif_slope = (a + 2 * a * a / p["IKF"]) * a_slope
    vbe_slope = nvt * dif_slope / (p["IS"] * forward)
    ib_slope = scale * dif_slope * (1 / p["BF"] + recombination * (p["NF"] / p["NE"]) / (p["IS"] * forward))
    # at constant IC the diffusion current stays; V_B'E' moves with VT and with IS
    kelvin = np.asarray(temp_C, float) + ZERO_CELSIUS_K
    temp_slope = vbe / kelvin - nvt * p["dlnIS"] * diffusion / (p["IS"] * forward)
    # and the base current falls as the gain rises, T**XTB
    temp_slope = temp_slope - ib * p["XTB"] / kelvin * (base + emitter)
    return SimpleNamespace(
        drive_V=vbe + ib * base + ie * emitter + p["DV"] + p["TURN"],
        slope_V=vbe_slope + ib_slope * base + (ic + ib_slope) * emitter,
        vbe_V=vbe + ib * p["RB"] + ie * p["RE"] + p["DV"] + p["TURN"],
        ib_A=ib, ie_A=ie, ie_slope_A=ic + ib_slope, temp_slope_V_per_K=temp_slope,
    )  # fmt: skip


def imbalance(current_A) -> np.ndarray:
    """Imbalance of the currents on the last axis: (max - min) over the sum.

    For a pair this is (max - min)/(sum); in general (max - min)/mean/n, which is the same number.
    """
    return np.ptp(current_A, axis=-1) / np.sum(current_A, axis=-1)


def _newton(devices: Devices, point: OperatingPoint, log_ic, rise, tolerance_V: float):
    """Newton on ln IC and V; `rise` is R_th times the dissipation per ampere [K/A]."""
    k = devices.shape[-1]
    re, rb = np.asarray(point.re_ohm, float), np.asarray(point.rb_ohm, float)
    for step in range(_MAX_STEPS):
        ic = np.exp(log_ic)
        temp = point.temp_C + rise * (ic - point.total_A / k)
        now = drive_point(devices, log_ic, point.vce_V, temp if rise else point.temp_C, re, rb)
        slope = now.slope_V + (now.temp_slope_V_per_K * rise * ic if rise else 0.0)
        # a slope that heat has turned negative is a device in runaway: step as if it were flat
        slope = np.where(slope > 0.02 * now.slope_V, slope, 0.02 * now.slope_V)
        gain = now.ie_slope_A / slope
        missing = point.total_A - now.ie_A.sum(axis=-1)
        drive = (missing + (gain * now.drive_V).sum(axis=-1)) / gain.sum(axis=-1)
        error = drive[..., None] - now.drive_V
        converged = (np.abs(error) < tolerance_V).all(axis=-1)
        if step and converged.all():
            break
        log_ic = log_ic + np.clip(error / slope, -1.5, 1.5)
    return log_ic, now, converged


def _loop_gain(now: SimpleNamespace, log_ic, rise) -> np.ndarray:
    """Largest eigenvalue of the thermal loop of each set, total current held."""
    s = -now.temp_slope_V_per_K * rise * np.exp(log_ic) / now.slope_V  # theta dP/dT at a stiff drive
    k = s.shape[-1]
    # dT_j' = -dT_j + s_j (dT_j - weighted mean of what all the others ask for)
    weight = now.ie_slope_A / now.slope_V
    weight = weight / weight.sum(axis=-1, keepdims=True)
    ratio = now.temp_slope_V_per_K[..., None, :] / now.temp_slope_V_per_K[..., :, None]
    matrix = s[..., :, None] * (np.eye(k) - weight[..., None, :] * ratio)
    if k <= 2:  # one eigenvalue is zero (the held total), the other, if there is one, is the trace
        return np.trace(matrix, axis1=-2, axis2=-1)
    return np.linalg.eigvals(matrix).real.max(axis=-1)


def share(
    devices: Devices, point: OperatingPoint, *, heat_steps: int = 0, start=None, tolerance_V=TOLERANCE_V
) -> SimpleNamespace:
    """Solve the currents of every set.

    Parameters
    ----------
    devices : Devices
        Parameters gathered to shape (..., s, k): s sets of k devices, leading axes are draws.
    point : OperatingPoint
    heat_steps : int
        Steps in which the thermal resistance is walked up, `HEAT_STEPS` or fewer, to solve the temperatures
        with the currents; with none, all junctions are at ``point.temp_C``.
    start : ndarray, optional
        ln IC to start from; equal shares by default.
    tolerance_V : float
        Agreement of the drive voltages [V].

    Returns
    -------
    namespace
        Currents of every set: ``ie_A`` and ``ib_A`` (..., s, k); the rest (..., s): ``drive_V`` [V],
        ``drive_slope_V`` = dV/d ln(total current) of the whole set [V], ``imbalance`` [1]; ``loop_gain``, the
        largest eigenvalue of the thermal loop (nan where none was solved); ``runs_away`` where it is 1 or
        more, or no steady state was found.

    Notes
    -----
    The thermal resistance is walked up from zero in steps, so that the solution followed is the one
    that grows out of the cold stage.  The loop gain is that of the shares the parts would have at one
    common temperature, which is the textbook condition: past 1, unequal parts do not oscillate or
    jump, one of them simply takes nearly everything, and the solution found there may itself be
    stable.
    """
    shape = devices.shape
    log_ic = np.full(shape, np.log(point.total_A / shape[-1])) if start is None else start
    log_ic, now, _ = _newton(devices, point, log_ic, 0.0, tolerance_V)
    gain = np.full(shape[:-1], np.nan)
    away = np.zeros(shape[:-1], bool)
    if heat_steps:
        full = point.rth_K_per_W * point.watts_per_A
        gain = _loop_gain(now, log_ic, full)
        for step in range(1, heat_steps + 1):
            rise = full * step / heat_steps
            log_ic, now, ok = _newton(devices, point, log_ic, rise, tolerance_V)
            away |= (_loop_gain(now, log_ic, rise) >= 1) | ~ok
        away |= gain >= 1
    slope = 1.0 / (now.ie_slope_A / now.slope_V).sum(axis=-1)
    return SimpleNamespace(
        ie_A=now.ie_A, ib_A=now.ib_A, drive_V=now.drive_V.mean(axis=-1), drive_slope_V=slope * point.total_A,
        imbalance=imbalance(now.ie_A), loop_gain=gain, runs_away=away,
    )  # fmt: skip
