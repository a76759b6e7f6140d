"""What one more measurement would improve, and which differences no measurement here can claim."""

from __future__ import annotations

import numpy as np

from junction.stage.sharing import drive_point
from junction.transistor.values import compare

_MOST = 5
#: Half-width of a 95 % interval in standard uncertainties.
_K95 = 1.96
#: V_CE a bench reading is usually taken at [V], and the share of an uncertainty below which another cause
#: makes most of it.
_READ_AT_V, _MOSTLY = 5.0, 0.7


def advice_for(fits, stage, sets, maker, ask) -> tuple[str, ...]:
    """Sentences for the report, the most useful first.

    Parameters
    ----------
    fits : TransistorFits
    stage : Stage
    sets : sequence of MatchedSet
    maker : SetMaker
        Holds the devices and their draws.
    ask : MatchAsk
    """
    out = []
    per = stage.peak.total_A / ask.per_set
    unknown = [fits.part[i] for i in range(len(fits)) if not fits.temp_known[i]]
    if unknown:
        out.append("Write down the temperature: without it a silicon V_BE is uncertain by 2 mV for "
                   "each degree "
                   f"({_some(unknown)}).")  # fmt: skip
    short = [name for s in sets for name in s.parts if fits.ic_high_A[fits.part.index(name)] * 1.3 < per]
    if short:
        out.append(f"A reading at about {per:.2g} A, short and on a heat sink, would settle the shares "
                   "at the peak "
                   f"({_some(short)}).")  # fmt: skip
    used = [fits.part.index(name) for s in sets for name in s.parts]
    idle = stage.idle.total_A / ask.per_set
    far = [fits.part[i] for i in used if not fits.ic_low_A[i] / 1.5 <= idle <= fits.ic_high_A[i] * 1.5]
    if far:
        out.append(
            f"A reading at about {idle:.2g} A, each part's share at idle, would settle the shares there "
            f"({_some(far)})."
        )
    if "VAF" in fits.names:
        vaf = fits.names.index("VAF")
        guessed = [fits.part[i] for i in used if fits.fixed[i, vaf] and fits.source[i] != "spot"]
        if guessed and stage.idle.vce_V > 10.0:
            out.append(
                f"A few points at about {stage.idle.vce_V:.0f} V, short and at low current, would "
                "settle what V_CE "
                f"does to these parts, measured at one V_CE only ({_some(guessed)})."
            )
    out += _cannot_tell(fits, stage, sets, maker, ask)
    return tuple(out)


def _some(names) -> str:
    names = list(dict.fromkeys(names))
    if len(names) <= 4:
        return ", ".join(names)
    return f"{', '.join(names[:3])} and {len(names) - 3} more"


def _cannot_tell(fits, stage, sets, maker, ask) -> list[str]:
    """Pairs of parts in different sets whose difference is within its uncertainty."""
    parts = [fits.part.index(name) for s in sets for name in s.parts]
    where = np.array([number for number, s in enumerate(sets) for _ in s.parts])
    if len(parts) < 2:
        return []
    parts = np.array(parts)
    p = stage.idle
    log_ic = np.log(p.total_A / ask.per_set)
    now = drive_point(maker.devices.take(parts), log_ic, p.vce_V, p.temp_C).vbe_V
    drawn = drive_point(maker.drawn["idle"].take(parts), log_ic, p.vce_V, p.temp_C).vbe_V
    order = np.argsort(now)
    polarity = np.array([fits.polarity[i] for i in parts])
    near = []
    for a, b in zip(order[:-1], order[1:], strict=True):  # neighbours: the pairs most easily exchanged
        if where[a] == where[b] or polarity[a] != polarity[b]:
            continue
        u = float(np.std(drawn[:, a] - drawn[:, b]))
        gap = float(now[b] - now[a])
        if gap < _K95 * u:
            near.append((gap / u, fits.part[parts[a]], fits.part[parts[b]], gap, u))
    near.sort()
    if not near:
        return []
    cause, cure = _cause(fits, parts, stage, ask, float(np.median([u for *_, u in near])))
    lines = [
        f"{a} and {b} cannot be told apart {cause}: V_BE differs by {1000 * gap:.2g} mV, "
        f"known to within {1000 * _K95 * u:.2g} mV."
        for _, a, b, gap, u in near[:_MOST]
    ]
    if len(near) > _MOST:
        lines.append(f"The same holds for {len(near) - _MOST} more neighbours in V_BE.")
    lines.append(cure)
    return lines


def _cause(fits, parts, stage, ask, u_V: float) -> tuple[str, str]:
    """What keeps parts from being told apart, and what would help."""
    together = ("To tell such parts apart, measure them side by side on one block of metal, at one current, "
                "within a minute of each other (and say so: --side-by-side).")  # fmt: skip
    if all(fits.source[i] == "spot" for i in parts):
        return _spot_cause(fits, parts, stage, ask, u_V, together)
    if not all(fits.temp_known[i] for i in parts):
        return "at these temperatures, which were not recorded", together
    # two thermometer readings, each good to half a kelvin, at 2 mV/K
    by_temperature = 2**0.5 * 0.002 * 0.5 / 3**0.5
    by_it = by_temperature > 0.6 * u_V
    return "at this temperature uncertainty" if by_it else "by these measurements", together


def _spot_cause(fits, parts, stage, ask, u_V: float, together: str) -> tuple[str, str]:
    """Spot readings are sharp where they were taken; say which step from there makes them vague."""
    idle, vce = stage.idle.total_A / ask.per_set, stage.idle.vce_V
    middle = float(np.median(np.sqrt(fits.ic_low_A[parts] * fits.ic_high_A[parts])))

    def u_at(ic_A: float, vce_V: float) -> float:
        found = compare(fits, parts[:-1], parts[1:], [ic_A], vce_V, float(np.median(fits.temp_C[parts])))
        return float(np.median(found.u_dvbe_V))

    if vce > 2 * _READ_AT_V and u_at(idle, _READ_AT_V) < _MOSTLY * u_V:
        return (
            f"by these spot readings, taken at a few volts of V_CE while the stage idles at {vce:.0f} V",
            f"To tell such parts apart, read them at about {vce:.0f} V, short, on a heat sink and inside "
            f"their safe area, and say so "
            f"(--reading-vce {vce:.0f}V).",
        )
    if u_at(middle, min(_READ_AT_V, vce)) < _MOSTLY * u_V:
        return (f"by these spot readings, taken at {middle:.2g} A and not at the idle share of {idle:.2g} A",
                f"To tell such parts apart, read them at about {idle:.2g} A.")  # fmt: skip
    return "by these spot readings", together
