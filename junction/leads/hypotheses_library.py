"""The library: what each explanation would read, with its spread, on a given meter.

Explanations do not depend on the part in the hand, so each meter needs one library.  A row is a tile of
one hypothesis: its latent variables drawn from the prior and narrowed (a mixture of normal tiles keeps
the mean and variance of the whole), the readings the network gives there, and the first derivatives of
the readings, which turn the tile into a normal distribution over readings.  A junction drop enters a
reading linearly and the ohms of a leak nearly so over a tile, so few tiles cover much.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from junction.base.constants import REFERENCE_TEMP_C, thermal_voltage
from junction.leads.hypotheses import LATENT, Fault, Hypothesis, Structure, faults, structures
from junction.leads.hypotheses_priors import priors
from junction.leads.hypotheses_tiles import AT, BLACK, PATH_COLUMNS, PLACEMENTS, RED, Rows, lay_out
from junction.physics.network import Network
from junction.shelf.results import Meter

#: Current at which the families state their drops [A].
REFERENCE_A = 1e-3
#: Networks solved together: enough to hide the cost of a step, few enough for the processor's cache.
_CHUNK = 8000
#: Source of the ohms ranges: some tenths of a volt, which range and maker leave open [V, ohm].
OHMS_OPEN_V, OHMS_SOURCE_OHM, OHMS_SPREAD = 0.4, 1e4, 0.6
OHMS_OVER_OHM = 4e7
_E_C = PLACEMENTS.index("E-C")
#: How far the reverse gain of one reading may be off that of another, standard deviation of its logarithm
#: [1] (our assumption).
GAIN_DRIFT = 1.0


#: Fields of a `Library` that have one entry a tile.
ROW_FIELDS = ("hypothesis", "log_weight", "mean", "factor", "noise", "ln_ohm", "ohm_sd")


@dataclass(frozen=True, eq=False)
class Library:
    """Predicted readings of every tile.

    Parameters
    ----------
    hypotheses : tuple of Hypothesis
    hypothesis : ndarray of int (n,)
        Sorted, so that the tiles of a hypothesis lie together.
    log_weight : ndarray (n,)
        Prior of the tile [1].
    mean : ndarray (n, 12)
        Six diode-mode readings [V], then six resistance readings [ln ohm].
    factor : ndarray (n, 12, q)
        Readings per standard deviation of each shared cause.
    noise : ndarray (n, 12)
        Standard deviation of what is each reading's own.
    over : ndarray (12,)
        Where a reading becomes over-range [V, ln ohm].
    ln_ohm, ohm_sd : ndarray (n, 3)
        Resistance across BE, BC, CE that is not built in [ln ohm], nan where there is none, and the
        standard deviation of it within the tile.
    """

    hypotheses: tuple[Hypothesis, ...]
    hypothesis: np.ndarray
    log_weight: np.ndarray
    mean: np.ndarray
    factor: np.ndarray
    noise: np.ndarray
    over: np.ndarray
    ln_ohm: np.ndarray
    ohm_sd: np.ndarray
    meter: Meter
    has_ohms: bool


def over_range_V(meter: Meter) -> float:
    """Reading from which a meter shows over-range or its own open voltage [V]."""
    margin = meter.accuracy_counts * meter.resolution_V + meter.accuracy_percent / 100 * meter.open_voltage_V
    return min(meter.over_range_V, meter.open_voltage_V - margin - 2 * meter.resolution_V)


def visible_leak_ohm(meter: Meter) -> float:
    """Largest resistance that diode mode shows as a number [ohm]."""
    over = over_range_V(meter)
    if meter.source_kind == "resistance":
        return meter.resistance_ohm * over / max(meter.open_voltage_V - over, 1e-3 * meter.open_voltage_V)
    return over / meter.test_current_A


def meter_source(meter: Meter) -> dict[str, float]:
    """The meter's diode-mode source as the network solver takes it."""
    if meter.source_kind == "resistance":
        return {"open_V": meter.open_voltage_V, "resistance_ohm": meter.resistance_ohm}
    return {"open_V": meter.open_voltage_V, "current_A": meter.test_current_A}


def _exp_or_zero(log_value: np.ndarray) -> np.ndarray:
    return np.exp(np.where(np.isnan(log_value), -np.inf, log_value))


class _Wiring:
    """Networks of a set of tiles, and how the latent variables enter each of them.

    ``slopes`` holds (parameter of the network, latent variable, derivative of its logarithm (n,)).
    """

    def __init__(self, theta: np.ndarray, vt_V: float, nodes: int) -> None:
        self.network = Network(vt_V, nodes)
        self.col = {name: theta[:, k] for name, k in AT.items()}
        self.vt_V, self.n = vt_V, len(theta)
        self.slopes: list[tuple[int, int, np.ndarray]] = []
        self.bf, self.br = (np.exp(np.nan_to_num(self.col[name])) for name in ("ln_bf", "ln_br"))
        # what a junction carries of IS exp(V/VT) while the third lead floats
        self.share = 1 / self.bf + 1 / (1 + self.br)

    def _saturation(self, drop_V: np.ndarray, share=1.0) -> np.ndarray:
        """Current IS that gives the drop at the family current; 0 where there is no such junction."""
        return _exp_or_zero(np.log(REFERENCE_A) - drop_V / self.vt_V - np.log(share))

    def _slope(self, parameter: int, latent: str, value) -> None:
        self.slopes.append((parameter, AT[latent], np.broadcast_to(value, self.n)))

    def transistor(self, base: int, collector: int, emitter: int, drop: str) -> None:
        """Ebers-Moll transistor whose base-emitter reading is the latent variable `drop`."""
        is_A = self._saturation(self.col[drop], self.share)
        first = self.network.transistor(base, collector, emitter, is_A, self.bf, self.br)
        self._slope(first, drop, -1 / self.vt_V)
        self._slope(first, "ln_bf", 1 / self.bf / self.share)
        self._slope(first + 1, "ln_bf", 1.0)
        self._slope(first, "ln_br", self.br / (1 + self.br) ** 2 / self.share)
        self._slope(first + 2, "ln_br", 1.0)

    def conductance(self, p: int, q: int, name: str) -> None:
        """Resistance whose logarithm is the latent variable `name`."""
        self._slope(self.network.path(p, q, _exp_or_zero(-self.col[name])), name, -1.0)

    def diode(self, anode: int, cathode: int, name: str) -> None:
        """Junction whose drop is the latent variable `name`, and what it shares with its twin."""
        drop = self.col[name] + np.nan_to_num(self.col["v_pair"])
        at = self.network.diode(anode, cathode, self._saturation(drop), np.full(self.n, self.vt_V))
        for latent in (name, "v_pair"):
            self._slope(at, latent, -1 / self.vt_V)


_DIODES = ((2, 1, "v_ce_diode"), (0, 2, "v_be_extra"), (0, 1, "v_bc_extra"), (2, 0, "v_eb_extra"))


def _wire(theta: np.ndarray, darlington: bool, extras: bool, vt_V: float) -> _Wiring:
    """Network of one topology: nodes B 0, C 1, E 2, and 3 the inner base of a Darlington."""
    wiring = _Wiring(theta, vt_V, 4 if darlington else 3)
    if darlington:
        wiring.transistor(0, 1, 3, "v_be")
        wiring.transistor(3, 1, 2, "v_second")
        wiring.conductance(0, 3, "ln_r_int")
        wiring.conductance(3, 2, "ln_r2")
    else:
        wiring.transistor(0, 1, 2, "v_be")
        wiring.conductance(0, 2, "ln_r_int")
    for p, q, name in ((0, 2, "ln_r_be"), (0, 1, "ln_r_bc"), (1, 2, "ln_r_ce")):
        wiring.conductance(p, q, name)
    for anode, cathode, name in _DIODES if extras else ():
        wiring.diode(anode, cathode, name)
    return wiring


def _groups(theta: np.ndarray, darlington: np.ndarray):
    """(rows, is a Darlington, has diodes) of every topology present."""
    diodes = [AT[name] for _, _, name in _DIODES]
    extras = ~np.isnan(theta[:, diodes]).all(axis=1)
    for d in (False, True):
        for x in (False, True):
            pick = np.flatnonzero((darlington == d) & (extras == x))
            if pick.size:
                yield pick, d, x


def _solve(rows: Rows, darlington: np.ndarray, source: dict, vt: float):
    """Readings, source currents, dynamic resistances (n, 6), derivatives by latent variable (n, 6, l).

    Placements on an open lead are left at the open voltage and no current.
    """
    shape = rows.dead.shape
    v, i, r = np.full(shape, source["open_V"]), np.zeros(shape), np.zeros(shape)
    dv = np.zeros((*shape, len(LATENT)))
    for pick, is_darlington, extras in _groups(rows.theta, darlington):
        row, place = np.nonzero(~rows.dead[pick])
        row = pick[row]
        for chunk in np.array_split(np.arange(row.size), max(1, row.size // _CHUNK)):
            k, j = row[chunk], place[chunk]
            wiring = _wire(rows.theta[k], is_darlington, extras, vt)
            v[k, j], i[k, j], r[k, j], by_parameter, _ = wiring.network.read(RED[j], BLACK[j], **source)
            d = np.zeros((k.size, len(LATENT)))
            for parameter, latent, slope in wiring.slopes:
                d[:, latent] += by_parameter[:, parameter] * slope
            dv[k, j] = d
    return v, i, r, dv


def _volts(rows: Rows, darlington, meter: Meter, vt: float):
    """Mean, shared factors and own noise of the six diode-mode readings."""
    v, i, r, dv = _solve(rows, darlington, meter_source(meter), vt)
    shared = dv * rows.sd[:, None, :]
    current = (r * i * meter.current_spread / np.sqrt(3))[:, :, None]
    gain = (v * meter.accuracy_percent / 100 / np.sqrt(3))[:, :, None]
    factor = np.concatenate([shared, current, gain], axis=2)
    own = np.sqrt(
        (meter.accuracy_counts * meter.resolution_V) ** 2 / 3
        + meter.resolution_V**2 / 12
        + priors()["discrepancy_v"].value ** 2
    )
    own = np.full_like(v, own)
    # from emitter to collector past a leak the reverse gain counts, at a current of its own: it need not be
    # the one that the drops of the two junctions speak of (recombination makes it fall at small currents)
    own[:, _E_C] = np.hypot(own[:, _E_C], GAIN_DRIFT * dv[:, _E_C, AT["ln_br"]])
    mean = np.where(rows.dead, meter.open_voltage_V, v)
    return mean, np.where(rows.dead[:, :, None], 0.0, factor), own


def _ohms(rows: Rows, darlington, vt: float):
    """Mean, shared factors and own noise of the six resistance readings [ln ohm]."""
    source = {"open_V": OHMS_OPEN_V, "resistance_ohm": OHMS_SOURCE_OHM}
    v, i, r, dv = _solve(rows, darlington, source, vt)
    v, i = np.maximum(v, 1e-9), np.maximum(i, 1e-13)
    slope = 1 / v + 1 / (i * OHMS_SOURCE_OHM)
    by_open = OHMS_OPEN_V * (r / OHMS_SOURCE_OHM / v - (1 - r / OHMS_SOURCE_OHM) / (i * OHMS_SOURCE_OHM))
    factor = np.concatenate(
        [
            dv * rows.sd[:, None, :] * slope[:, :, None],
            (by_open * OHMS_SPREAD)[:, :, None],
            np.zeros((*v.shape, 1)),
        ],
        axis=2,
    )
    ln_ohm = np.log(v / i)
    mean = np.where(rows.dead, np.log(1e12), ln_ohm)
    noise = 0.02 + 0.3 * np.exp(-np.maximum(ln_ohm, -1.5))
    return mean, np.where(rows.dead[:, :, None], 0.0, factor), noise


def build_library(
    meter: Meter,
    *,
    kinds: Sequence[Structure] | None = None,
    ills: Sequence[Fault] | None = None,
    ohms: bool = False,
    keep: Callable[[Rows], np.ndarray] | None = None,
) -> Library:
    """Predicted readings of every explanation on one meter.

    Parameters
    ----------
    meter : Meter
    kinds : sequence of Structure, optional
        Structures to weigh, with their weights; those of three-lead parts by default.
    ills : sequence of Fault, optional
        Faults to weigh; those of three-lead parts by default.
    ohms : bool
        Also predict resistance readings, and lay out leaks up to tens of megohms.
    keep : callable, optional
        Rows -> bool (n,): drop tiles that the readings at hand exclude before they are solved.

    Returns
    -------
    Library
    """
    visible = visible_leak_ohm(meter)
    hypotheses, rows = lay_out(
        kinds or structures(), ills or faults(), visible, 3e7 if ohms else 1.5 * visible
    )
    if keep is not None:
        rows = rows.take(keep(rows))
    return solve_rows(meter, hypotheses, rows, ohms=ohms)


def solve_rows(meter: Meter, hypotheses: tuple[Hypothesis, ...], rows: Rows, *, ohms: bool) -> Library:
    """Solve the networks of some tiles on a meter.

    Parameters
    ----------
    meter : Meter
    hypotheses : tuple of Hypothesis
    rows : Rows
        Tiles, those of a hypothesis together.
    ohms : bool
        Also predict resistance readings.
    """
    vt = thermal_voltage(REFERENCE_TEMP_C)
    darlington = np.array([h.structure.darlington for h in hypotheses])[rows.hypothesis]
    mean, factor, noise = _volts(rows, darlington, meter, vt)
    over = np.full(12, np.log(OHMS_OVER_OHM))
    over[:6] = over_range_V(meter)
    if ohms:
        parts = zip((mean, factor, noise), _ohms(rows, darlington, vt), strict=True)
        mean, factor, noise = (np.concatenate(pair, axis=1) for pair in parts)
    else:
        pad = np.zeros((len(mean), 6))
        mean, noise = np.concatenate([mean, pad], axis=1), np.concatenate([noise, pad + 1.0], axis=1)
        factor = np.concatenate([factor, np.zeros_like(factor)], axis=1)
    return Library(
        hypotheses,
        rows.hypothesis,
        rows.log_weight,
        mean,
        factor,
        noise,
        over,
        rows.theta[:, PATH_COLUMNS],
        rows.sd[:, PATH_COLUMNS],
        meter,
        ohms,
    )
