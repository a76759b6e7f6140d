"""What the estimators return: declared fields, arrays over sweeps, flags that say what is wrong."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import compress
from math import isfinite, nan
from types import SimpleNamespace

import numpy as np

from junction.base.records import Bag, Interval, SetAside, not_json
from junction.base.units import REFERENCE_TEMP_C

#: Models of a single junction, simple to full; `SweepFits.model` holds indices into this tuple.
MODELS = (
    "none",  # no fit: the reason is in SweepFits.why_not
    "open",  # no current above the noise: offset only
    "resistor",  # a straight line through the origin
    "junction",  # IS, N, RS
    "junction + shunt",  # + RSH
    "junction + recombination",  # + second exponential ISR, NR
    "junction + recombination + shunt",
    "junction + photocurrent",  # IS, N, RS, RSH, IPH
    "junction + breakdown",  # forward and reverse branch: + BV, NBV at IBV
    "junction + shunt + breakdown",
    "breakdown",  # reverse branch only
    "junction + recombination + breakdown",
    "junction + recombination + shunt + breakdown",
)

#: Reference current of the breakdown branch [A]: BV is the reverse voltage at which it carries 1 mA.
IBV_A = 1e-3

#: Parameter names (SPICE letter symbols with their unit) a fit may hold; nan where the model has none.
PARAMETERS = ("IS_A", "N", "RS_ohm", "RSH_ohm", "ISR_A", "NR", "IPH_A", "BV_V", "NBV", "R_ohm", "I0_A",
              "RZ_ohm")  # fmt: skip

#: Their keys in the JSON; the values are in A, V and ohm.
PARAMETER_KEYS = {name: name.partition("_")[0] for name in PARAMETERS} | {"RSH_ohm": "shunt"}

FLAGS = (
    "converged", "at_bound", "rank_deficient", "uncertainty_known", "unphysical",
    "current_limited", "over_range", "range_step", "self_heated", "zero_offset", "outliers", "reversed",
    "n_impossible",  # an ideality that no junction has: the temperature, heat, or the scale of voltage
    "may_warm",  # a small part would warm by kelvins in a slow sweep, and one pass cannot show it
    "poor_fit",  # chi2 far above what the uncertainties allow; intervals were widened by its root
)  # fmt: skip


#: Why points were left out, in the order they are told in.
LEFT_OUT = ("missing", "over_range", "current_limit", "way_back", "beyond", "wild")


@dataclass(frozen=True, eq=False)
class SweepFits:
    """Fits of a whole table of sweeps.

    Parameters
    ----------
    model, runner_up : ndarray of int (n,)
        Index into `MODELS`; runner_up -1 where there was no other.
    evidence_gap : ndarray (n,)
        Criterion (AICc) of the runner-up minus that of the model [1]; large is decisive.  Where the
        runner-up was only promised by a score test it may be a little below zero: a further term must
        promise 9 of chi2 before it is fitted.
    value, low, high, u : dict of str to ndarray (n,)
        Per name in `PARAMETERS`: estimate, 95 % interval, standard uncertainty; nan where the model
        has no such parameter; value nan with one finite end is a one-sided limit, with none no statement.
        Saturation currents are
        those at `temp_C`.  The intervals of IS, N, ISR, NR and NBV hold the uncertainty of the temperature;
        ``u`` and `theta_covariance` do not: they are of the curve as it was measured.
    chi2, dof, n_points, n_used : ndarray (n,)
        Weighted sum of squares, degrees of freedom, points read and points used.
    used : ndarray of bool (m,)
        Which of the table's flat points the fit used.
    temp_C : ndarray (n,)
        Temperature the fit took [degC] (25 where the table had none).
    temp_known : ndarray of bool (n,)
    heating_K : ndarray (n,)
        Estimated self-heating over the sweep [K]; nan where it cannot be seen.
    flags : dict of str to ndarray of bool (n,)
        Per name in `FLAGS`.
    why_not : tuple of str, length n
        '' or why a sweep has no fit.
    theta, theta_covariance : ndarray (n, q), (n, q, q)
        What was really fitted, in the near-linear coordinates `junction.sweeps.terms.COORDINATES` (nan
        where a term is absent), with covariance; a conductance or series resistance may be negative here.
    quantile : ndarray (n,)
        Standard uncertainties to either side that make 95 % (1.96, or Student's t).
    noise : ndarray (n, 3)
        Noise components found where none was stated: variance of current [A^2], of voltage [V^2], relative
        variance of current [1]; nan where the noise was stated (a floor found beside it is given).
    temp_u_K : ndarray (n,)
        Standard uncertainty of the temperature [K] that the intervals of IS, N, ISR, NR and NBV hold.
    left_out : dict of str to ndarray of int (n,)
        How many points were left out, per reason in `LEFT_OUT`; with those used, all of them.
    """

    model: np.ndarray
    runner_up: np.ndarray
    evidence_gap: np.ndarray
    value: Mapping[str, np.ndarray]
    low: Mapping[str, np.ndarray]
    high: Mapping[str, np.ndarray]
    u: Mapping[str, np.ndarray]
    chi2: np.ndarray
    dof: np.ndarray
    n_points: np.ndarray
    n_used: np.ndarray
    used: np.ndarray
    temp_C: np.ndarray
    temp_known: np.ndarray
    heating_K: np.ndarray
    flags: Mapping[str, np.ndarray]
    why_not: tuple[str, ...]
    theta: np.ndarray | None = None
    theta_covariance: np.ndarray | None = None
    quantile: np.ndarray | None = None
    noise: np.ndarray | None = None
    temp_u_K: np.ndarray | None = None
    left_out: Mapping[str, np.ndarray] = field(default_factory=dict)

    def __len__(self) -> int:
        return self.model.size

    def model_name(self, k: int) -> str:
        """Name of the model chosen for sweep `k`."""
        return MODELS[int(self.model[k])]


@dataclass(frozen=True, eq=False)
class TransistorFits:
    """Dc Gummel-Poon fits of a batch of parts, referred to 25 degC.

    Each part's curve is carried as parameters with a covariance, so that sharing can propagate it.
    A spot reading (V_BE and h_FE at one current) is the same object with a wide covariance.
    """

    part: tuple[str, ...]
    polarity: tuple[str, ...]
    type: tuple[str, ...]
    source: tuple[str, ...]  # 'curves', 'spot' or 'curves + spot'
    names: tuple[str, ...]  # SPICE names at 25 degC: transistor.values.FITTED
    value: np.ndarray  # (n, p) SI units
    u_log: np.ndarray  # (n, p) standard uncertainty of ln(value); inf where unknown
    covariance: np.ndarray  # (n, p, p) covariance of ln(value)
    fixed: np.ndarray  # (n, p) bool: held at a default because the data cannot say
    temp_C: np.ndarray  # (n,) temperature the data were taken at [degC]
    temp_known: np.ndarray  # (n,) bool
    chi2: np.ndarray  # (n,)
    dof: np.ndarray  # (n,)
    ic_low_A: np.ndarray  # (n,) lowest and highest collector current the data hold
    ic_high_A: np.ndarray
    heating_K: np.ndarray  # (n,)
    flags: Mapping[str, np.ndarray] = field(default_factory=dict)
    why_not: tuple[str, ...] = ()
    n_used: np.ndarray | None = None  # (n,) points used
    vce_low_V: np.ndarray | None = None  # (n,) lowest and highest V_CE of the points used [V]
    vce_high_V: np.ndarray | None = None
    offset_ic_A: np.ndarray | None = None  # (n,) ammeters' offset taken off [A]; nan: none
    offset_ib_A: np.ndarray | None = None
    inner_ib_A: np.ndarray | None = None  # (n,) base current that resistors inside a Darlington take [A]
    limit_A: np.ndarray | None = None  # (n,) collector current at the source's limit [A]; nan: not reached
    left_out: Mapping[str, np.ndarray] = field(default_factory=dict)  # by reason, points left out (n,)
    # (n, p, q) part of the covariance that parts of one type share: logs move by shared @ z, one z for all
    shared: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.part)

    def take(self, index) -> TransistorFits:
        """Some of the parts, by their places."""
        n = len(self)

        def some(value):
            if isinstance(value, Mapping):
                return {key: some(v) for key, v in value.items()}
            if isinstance(value, np.ndarray) and value.shape[:1] == (n,):
                return value[index]
            return tuple(value[i] for i in index) if isinstance(value, tuple) and len(value) == n else value

        changed = {f.name: some(getattr(self, f.name)) for f in fields(self) if f.name != "names"}
        return replace(self, **changed)


@dataclass
class FitSummary:
    """One sweep's fit, for people: chosen model, parameters and derived values with 95 % intervals."""

    model: str
    runner_up: str
    evidence_gap: float
    parameters: Mapping[str, Interval]  # names of fit.results.PARAMETERS
    derived: Mapping[str, Interval]  # e.g. 'V at 1 mA', 'I at -5 V', 'leakage resistance'
    flags: tuple[str, ...]
    n_points: int
    n_used: int
    chi2: float
    dof: int
    temp_C: float
    temp_known: bool
    left_out: Mapping[str, int] = field(default_factory=dict)  # points by reason of `LEFT_OUT`

    def as_json(self) -> dict:
        """Parameters under their SPICE names, derived values with their unit."""
        gap = self.evidence_gap if isfinite(self.evidence_gap) else None
        return {
            "model": self.model, "runner_up": self.runner_up, "evidence_gap": gap,
            **{PARAMETER_KEYS.get(name, name): it for name, it in self.parameters.items()},
            "derived": {name: {**it.ends(), "unit": it.unit} for name, it in self.derived.items()},
            "flags": self.flags, "points": int(self.n_points), "points_used": int(self.n_used),
            "left_out": dict(self.left_out),
            "chi2": float(self.chi2), "dof": int(self.dof), "temp_C": float(self.temp_C),
            "temp_known": bool(self.temp_known),
        }  # fmt: skip


def fit_summaries(
    fits: SweepFits, derived: Sequence[Mapping[str, Interval]] | None = None
) -> list[FitSummary]:
    """Fits as records for people; each holds only the parameters that its model has.

    Parameters
    ----------
    fits : SweepFits
    derived : sequence of mapping, optional
        Derived values by name, one mapping a sweep.
    """
    held: list[dict] = [{} for _ in range(len(fits))]
    for name in PARAMETERS:
        unit = name.rpartition("_")[2] if "_" in name else ""
        value, low, high = fits.value[name], fits.low[name], fits.high[name]
        has = np.flatnonzero(~np.isnan(value) | np.isfinite(low) | np.isfinite(high))
        for k, *ends in zip(has.tolist(), *(x[has].tolist() for x in (value, low, high)), strict=True):
            held[k][name] = Interval(*ends, unit)
    raised = np.transpose([fits.flags[name] for name in FLAGS]).tolist()
    columns = (fits.n_points, fits.n_used, fits.chi2, fits.dof, fits.temp_C, fits.temp_known)
    left: list[dict[str, int]] = [{} for _ in range(len(fits))]
    for why, count in fits.left_out.items():
        for k in np.flatnonzero(count).tolist():
            left[k][why] = int(count[k])
    names = (*MODELS, "")  # -1: no runner-up
    return [
        FitSummary(names[model], names[other], gap, parameters, more, tuple(compress(FLAGS, flags)), *rest)
        for model, other, gap, parameters, more, flags, *rest in zip(
            fits.model.tolist(), fits.runner_up.tolist(), fits.evidence_gap.tolist(), held,
            derived or [{}] * len(fits), raised, *(np.asarray(x).tolist() for x in columns), left,
            strict=True)
    ]  # fmt: skip


@dataclass(frozen=True, eq=False)
class SweepPlot:
    """Points and fitted curve of one sweep, ready to draw.

    ``residual`` is measured minus fitted current at each point in its standard uncertainty [1], nan where the
    fit left the point out; ``u_A`` is that uncertainty as one of the current, that of the voltage in it [A].
    The fitted curve has a point at every voltage that is drawn and as many between as its bends need, with
    the ends of its 95 % band; it is empty where there is no fit.
    """

    part: str
    junction: str
    v_V: np.ndarray
    i_A: np.ndarray
    used: np.ndarray
    v_fit_V: np.ndarray
    i_fit_A: np.ndarray
    residual: np.ndarray
    model: str = ""
    u_A: np.ndarray | None = None
    fit_low_A: np.ndarray | None = None
    fit_high_A: np.ndarray | None = None
    type: str = ""
    temp_C: float = nan
    limit_A: float = nan  # largest reverse current allowed, and the reverse voltage it holds at [V]
    limit_V: float = nan


@dataclass(frozen=True)
class FitRow:
    """One fitted sweep, and where it came from; `why_not` says why there is no fit."""

    junction: str
    file: str
    first_line: int
    last_line: int
    points: int
    fit: FitSummary
    part: str = not_json("")
    type: str = not_json("")
    heating_K: float = nan
    why_not: str = ""


@dataclass(frozen=True)
class AtCurrent:
    """V_BE [V] and h_FE of a transistor at a collector current and V_CE, junction at 25 degC.

    A value the data do not tell is nan.
    """

    ic_A: float
    vce_V: float
    vbe_V: Interval
    hfe: Interval


@dataclass(frozen=True)
class TransistorRow:
    """One transistor fitted from its curves: SPICE parameters [SI] at 25 degC.

    ``at`` is what a technician reads first.  ``parameters`` are those the data say something on, with 95 %
    intervals or as limits; ``card`` holds every value the fitted curve was drawn with, the ``held`` defaults
    included.
    """

    part: str = field(metadata={"json": False})
    polarity: str
    type: str = field(metadata={"json": False})
    parameters: Mapping[str, Interval]
    card: Mapping[str, float] = field(metadata={"json": False})
    held: tuple[str, ...]  # parameters the data cannot say, held at a default
    ic_low_A: float  # range of collector current of the data [A]
    ic_high_A: float
    temp_C: float
    temp_known: bool
    why_not: str = ""
    at: tuple[AtCurrent, ...] = ()
    points_used: int = 0
    left_out: Mapping[str, int] = field(default_factory=dict)  # points by reason
    limit_A: float = nan  # collector current at the source's limit [A]
    offset_ic_A: float = nan  # ammeters' offset that was taken off [A]
    offset_ib_A: float = nan
    flags: tuple[str, ...] = ()


@dataclass(frozen=True, eq=False)
class TransistorPlot:
    """Points and fitted curve of one transistor, ready to draw; the curve at the usual V_CE of the points.

    ``vbe_V`` or ``hfe`` is nan where a file lacks it; bands are 95 % intervals.  ``family`` holds the lines
    of I_C against V_CE at one V_BE or I_B: points ``vce_V``, ``ic_A``, the fitted ``vce_fit_V``, ``ic_fit_A``
    and ``at``, what was held, in words; ``early`` says V_A in words.
    """

    ic_A: np.ndarray
    vbe_V: np.ndarray
    hfe: np.ndarray
    ic_fit_A: np.ndarray
    vbe_fit_V: np.ndarray
    hfe_fit: np.ndarray
    hfe_low: np.ndarray
    hfe_high: np.ndarray
    ib_A: np.ndarray | None = None
    vbe_low_V: np.ndarray | None = None
    vbe_high_V: np.ndarray | None = None
    family: tuple[Mapping, ...] = ()
    early: str = ""


@dataclass(frozen=True, eq=False)
class FitReport:
    """Fits of all sweeps and curves of one call, in the order read.

    ``plots`` sweeps, and as many transistors, are drawn; ``draw`` gives what is drawn of each sweep, by its
    index, and of each transistor, by its part.
    """

    rows: tuple[FitRow, ...]
    transistors: tuple[TransistorRow, ...] = ()
    bag: Bag = field(default_factory=Bag)
    cautions: tuple[SimpleNamespace, ...] = ()
    default_temp_C: float = REFERENCE_TEMP_C
    noise_note: str = ""
    plots: int = 0
    draw: Callable[[], tuple[Mapping[int, SweepPlot], Mapping[str, TransistorPlot]]] = lambda: ({}, {})

    @property
    def set_aside(self) -> tuple[SetAside, ...]:
        """What was read and could not be used."""
        return self.bag.set_aside
