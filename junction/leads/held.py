"""What readings are held to: the limit of a path beside a junction, the window of a junction's drop."""

from __future__ import annotations

from math import inf, isfinite, log, nan
from types import SimpleNamespace

from junction.base.records import Interval, Reading
from junction.base.units import REFERENCE_TEMP_C, thermal_voltage
from junction.judge.results import Finding, say
from junction.leads.bench import over_range_V, visible_leak_ohm
from junction.leads.hypotheses import leak_limits_ohm
from junction.shelf.tables import Meter, PartType, families, rules


def leak_limit(kind: SimpleNamespace, type_: PartType | None, path: str) -> tuple[float, float, str, str]:
    """Least resistance of a sound path, by the registered type or else by family.

    Returns
    -------
    low, high : float
        What is lower than the first is a leak for every family the part may be of, what is higher than the
        second for none [ohm]; nan where nothing limits that path.
    name, source : str
        Of the type or family.
    """
    low = leak_limits_ohm(type_).get(path, nan) if type_ else nan
    if low == low:
        return low, low, type_.name, type_.source
    if path == "CE":  # families state no limit of that path
        return nan, nan, "", ""
    family = families()[kind.leak_families.split(" + ")[0]]
    return *kind.leak_limit_ohm, family.name, family.source or family.basis


def drop_window(
    kind: SimpleNamespace, type_: PartType | None, path: str, amps: float
) -> tuple[float, float, str]:
    """Forward drop of a sound junction that the meter drives at some current.

    Returns
    -------
    low, high : float
        At 25 degC [V]; nan where no family says it: of a path that is two junctions, or none.
    whose : str
        Which families', in words.
    """
    names = [type_.family] if type_ and type_.family in families() else []
    if path == "BC":
        names = [families()[name].collector or name for name in names]
    held = getattr(kind, "v_be", "") or getattr(kind, "v_be_extra", "")
    two = "ln_r_int" in kind.latent or "v_second" in kind.latent and path != "BC"
    names = names or (held.split(" + ") if held and not two else [])
    if not set(names) <= families().keys() or not names or path == "CE" or not amps > 0:
        return nan, nan, ""
    some = [families()[name] for name in names]
    # stated at another current: a decade more is some 60 mV
    ends = [(f, 0.5 * (f.n_low + f.n_high) * thermal_voltage(REFERENCE_TEMP_C) * log(amps / f.vf_at_A))
            for f in some]  # fmt: skip
    low, high = min(f.vf_low_V + v for f, v in ends), max(f.vf_high_V + v for f, v in ends)
    whose = "; ".join(say("limit_of_family", family=f.name, basis=f.basis, open_base=False) for f in some)
    return low, high, whose


def driven_A(meter: Meter, volts: float) -> float:
    """Current that the meter drives through a junction with that drop [A]."""
    if meter.source_kind == "resistance":
        return max(meter.open_voltage_V - volts, 0.0) / meter.resistance_ohm
    return meter.test_current_A


def drop_of(reading: Reading, meter: Meter) -> Interval:
    """A drop with what the meter may be off; of an over-range mark that it is more than the meter shows."""
    if reading.kind == "over":
        return Interval(nan, over_range_V(meter), inf, "V")
    u = meter.accuracy_percent / 100 * abs(reading.value) + meter.accuracy_counts * meter.resolution_V
    return Interval(reading.value, reading.value - u, reading.value + u, "V")


def hold_path(finding: Finding, ohm: Interval | None, limits: tuple, meter: Meter, *, own: bool) -> Finding:
    """A finding of a path that conducts, with its resistance and the least that a sound one has.

    ``limits`` as `leak_limit` gives them, ``own`` where they are a type's: what diode mode shows at all is
    over it, as a registration allows so much near breakdown only.
    """
    low, high, name, source = limits
    finding.quantity, finding.value = "path_ohm", ohm
    visible = visible_leak_ohm(meter)
    if own and low < visible:
        low = high = visible
        name, source = say("leads_limit_visible", name=name), source
    value = nan if ohm is None else ohm.value
    if ohm is not None and value != value:
        value = ohm.high if isfinite(ohm.high) else ohm.low
    least = low if not value >= low else high if value < high else nan
    if least == least:
        finding.low, finding.limit_from = least, f"{name}; {source}" if source else name
    return finding


def hold_short(finding: Finding, ohm: Interval | None) -> Finding:
    """A finding of a short, with its resistance and what is a short."""
    row = rules()["short_below"]
    finding.quantity, finding.low, finding.limit_from = "path_ohm", row.value, row.basis
    if ohm is not None and (ohm.value == ohm.value or ohm.high < row.value):  # else the counts say nothing
        finding.value = ohm
    return finding


def hold_drop(finding: Finding, reading: Reading, meter: Meter, window: tuple, only: str = "") -> Finding:
    """A finding of a drop, with the window of a sound junction's.

    Of a fault ``only`` names the end that it passes, 'low' or 'high', which is left out where the drop keeps
    it: something else condemns it then.
    """
    low, high, whose = window
    finding.quantity, finding.value = "drop_V", drop_of(reading, meter)
    value = finding.value.value if reading.kind == "volt" else finding.value.low
    if low == low and only != "high" and not (only and value >= low):
        finding.low, finding.limit_from = low, whose
    if high == high and only != "low" and not (only and value <= high):
        finding.high, finding.limit_from = high, whose
    return finding


def unseen_path(path: str, ends: tuple[str, str], limits: tuple, meter: Meter, *, own: bool) -> Finding:
    """What diode mode says of a path that it does not show: more than it can show at all."""
    visible = visible_leak_ohm(meter)
    found = Finding(path, "leads_no_path", numbers={"ends": ends})
    hold_path(found, Interval(nan, visible, inf, "ohm"), limits, meter, own=own)
    if isfinite(found.low) and visible >= found.low:
        found.kept = 1.0
    return found
