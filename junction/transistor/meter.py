r"""What a meter's diode mode and its gain socket say of a transistor: spot readings, for matching.

With the collector open, the test current I_m of the diode mode all enters the base.  The collector junction
is then forward biased until it sends back what the emitter injects, and the transport current is (Ebers-Moll)

.. math:: I_F = I_m \Big/ \Big(\frac{1}{\beta_F} + \frac{1}{1 + \beta_R}\Big) \approx (1 + \beta_R)\,I_m .

So the reading is the V_BE of a collector current several times I_m.  How many times, the base resistance that
I_m drops, and the meter's scale are unknown but nearly the same for all parts of one type read with one
meter: they move a match of unlike types, and next to nothing between parts of one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import hypot, isfinite, isnan, sqrt

import numpy as np

from junction.base.records import PartReadings, Spot
from junction.base.units import REFERENCE_TEMP_C, thermal_voltage
from junction.shelf.tables import Meter, rule
from junction.sweeps.results import TransistorFits


def with_meter_spots(
    r: PartReadings, meter: Meter, *, polarity: str, leads: Mapping[str, str], made_for_A: float,
    socket_ib_A: float,
) -> PartReadings:  # fmt: skip
    """Readings of a part with what the diode mode and the socket say of it as spot readings.

    Parameters
    ----------
    r : PartReadings
    meter : Meter
    polarity : str
        ``NPN`` or ``PNP``, as the row or the readings say.
    leads : mapping of str to str
        What its leads were found to be; empty where they are named.
    made_for_A : float
        Collector current the part is made to carry [A]; nan where nobody said.
    socket_ib_A : float
        Base current of the socket [A].

    Returns
    -------
    PartReadings
        Unchanged where a V_BE stands at a collector current already: it says more.
    """
    if any(isfinite(s.vbe_V) and isfinite(s.ic_A) for s in r.spots):
        return r
    spots = [s for s in r.spots if not (isnan(s.ic_A) and isnan(s.vbe_V))]
    for s in r.spots:
        if isnan(s.ic_A) and isnan(s.vbe_V) and s.hfe > 0:
            of = {"vce_V": rule("socket_vce"), "u_vce_V": rule("socket_vce_u")}
            spots.append(replace(s, ic_A=s.hfe * socket_ib_A, shared_hfe=rule("socket_hfe_shared"), **of))
    drops = {}  # from the base, in the forward direction, by the other lead
    for x in r.readings:
        base, other = (leads.get(lead, lead) for lead in (x.red, x.black)[:: 1 if polarity == "NPN" else -1])
        if polarity and meter.scale == "volt" and x.kind == "volt" and base == "B":
            drops[other] = x.value
    if "E" in drops or "C" not in drops and len(drops) == 2:
        # not told which is which, the emitter's is the higher drop (common practice, no source)
        spots.append(_diode_mode(drops.get("E", max(drops.values())), meter, r.temp_C, made_for_A))
    return replace(r, spots=tuple(spots), polarity=r.polarity or polarity)


def _diode_mode(volts: float, meter: Meter, temp_C: float, made_for_A: float) -> Spot:
    current = meter.test_current_A
    if not isnan(meter.resistance_ohm):
        current = max(meter.open_voltage_V - volts, 0.1 * meter.open_voltage_V) / meter.resistance_ohm
    vt = float(thermal_voltage(temp_C if isfinite(temp_C) else REFERENCE_TEMP_C))
    # the base resistance scales with what a part is made for; the smallest ones stand at the upper bound
    base = rule("diode_mode_base_drop") / made_for_A if made_for_A > 0 else np.inf
    base = min(base, rule("diode_mode_base_most"))
    drop = current * base
    # half a digit to a standard uncertainty (JCGM 100:2008, F.2.2.1); the limits of error are one meter's,
    # alike for all parts it read
    digit, scale = meter.resolution_V / sqrt(12), 0.01 * meter.accuracy_percent * volts / sqrt(3)
    source = vt * meter.current_spread / sqrt(3)
    own = hypot(digit, vt * rule("diode_mode_gain_between"), drop * rule("diode_mode_base_between"))
    inside = vt * rule("diode_mode_gain_u"), drop * rule("diode_mode_base_u")
    shared = float(np.linalg.norm([scale, source, *inside]))
    return Spot(rule("diode_mode_gain") * current, volts - drop, temp_C=temp_C, vce_V=rule("diode_mode_vce"),
                u_vce_V=0.5 * rule("diode_mode_vce"), u_vbe_V=own, shared_vbe_V=shared)  # fmt: skip


def with_shared(fits: TransistorFits, readings) -> TransistorFits:
    """Fits with the errors that parts of one type, read with one meter, share.

    Parameters
    ----------
    fits : TransistorFits
    readings : sequence of PartReadings
        Whose spot readings name the errors (``shared_vbe_V``, ``shared_hfe``).

    Returns
    -------
    TransistorFits
        ``covariance`` and ``shared`` with two columns more for each polarity and type: along IS for the V_BE,
        along BF and ISE for the gain.
    """
    error = {r.part: [max((getattr(s, name) for s in r.spots), default=0.0)
                      for name in ("shared_vbe_V", "shared_hfe")] for r in readings}  # fmt: skip
    size = np.array([error.get(part, (0.0, 0.0)) for part in fits.part]).reshape(-1, 2)
    if not size.any():
        return fits
    n, p = fits.value.shape
    at = {name: fits.names.index(name) for name in ("IS", "NF", "BF", "ISE")}
    kinds = list(zip(fits.polarity, fits.type, strict=True))
    names = list(dict.fromkeys(kinds))
    columns = np.zeros((n, p, 2 * len(names)))
    vt = thermal_voltage(fits.temp_C) * np.nan_to_num(fits.value[:, at["NF"]], nan=1.0)
    for k, kind in enumerate(kinds):
        column = 2 * names.index(kind)
        columns[k, at["IS"], column] = -size[k, 0] / vt[k]
        columns[k, [at["BF"], at["ISE"]], column + 1] = size[k, 1], -size[k, 1]
    whole = np.isfinite(fits.value).all(axis=1)
    columns[~whole] = 0.0
    covariance = fits.covariance + columns @ np.swapaxes(columns, 1, 2)
    u = np.sqrt(np.maximum(np.einsum("nii->ni", covariance), 0.0))
    kin = np.zeros((n, p, 0)) if fits.shared is None else fits.shared
    return replace(fits, covariance=covariance, u_log=np.where(whole[:, None], u, fits.u_log),
                   shared=np.concatenate([kin, columns], axis=2))  # fmt: skip
