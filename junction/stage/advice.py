"""What one more measurement would improve, and which differences no measurement here can claim."""

from __future__ import annotations

import numpy as np

from junction.shelf.rules import rule
from junction.stage.sharing import drive_point
from junction.transistor.values import compare

#: Pairs of parts named that cannot be told apart.
_MOST = 5
#: Half-width of a 95 % interval in standard uncertainties.
_K95 = 1.96


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
    idle, peak = stage.idle.total_A / ask.per_set, stage.peak.total_A / ask.per_set
    used = [fits.part.index(name) for s in sets for name in s.parts]

    def some(which) -> str:
        names = list(dict.fromkeys(fits.part[i] for i in which))
        return ", ".join(names) if len(names) <= 4 else f"{', '.join(names[:3])} and {len(names) - 3} more"

    unknown = [i for i in range(len(fits)) if not fits.temp_known[i]]
    if unknown:
        out.append(f"Write down the temperature: without it a silicon V_BE is uncertain by "
                   f"{-1000 * rule('vbe_slope'):g} mV for each degree ({some(unknown)}).")  # fmt: skip
    short = [i for i in used if fits.ic_high_A[i] * rule("current_reach") < peak]
    if short:
        out.append(f"A reading at about {peak:.2g} A, short and on a heat sink, would settle the shares "
                   f"at the peak ({some(short)}).")  # fmt: skip
    near = rule("current_reach_idle")
    far = [i for i in used if not fits.ic_low_A[i] / near <= idle <= fits.ic_high_A[i] * near]
    if far:
        out.append(f"A reading at about {idle:.2g} A, each part's share at idle, would settle the shares "
                   f"there ({some(far)}).")  # fmt: skip
    if "VAF" in fits.names:
        guessed = [i for i in used if fits.fixed[i, fits.names.index("VAF")] and fits.source[i] != "spot"]
        if guessed and stage.idle.vce_V > rule("vce_far"):
            out.append(
                f"A few points at about {stage.idle.vce_V:.0f} V, short and at low current, would settle "
                f"what V_CE does to these parts, measured at one V_CE only ({some(guessed)})."
            )
    return (*out, *_cannot_tell(fits, stage, sets, maker, idle))


def _cannot_tell(fits, stage, sets, maker, idle_A: float) -> list[str]:
    """Pairs of parts in different sets whose difference is within its uncertainty."""
    parts = np.array([fits.part.index(name) for s in sets for name in s.parts], int)
    where = np.array([number for number, s in enumerate(sets) for _ in s.parts])
    if len(parts) < 2:
        return []
    p, log_ic = stage.idle, np.log(idle_A)
    now = drive_point(maker.devices.take(parts), log_ic, p.vce_V, p.temp_C).vbe_V
    drawn = drive_point(maker.drawn["idle"].take(parts), log_ic, p.vce_V, p.temp_C).vbe_V
    order = np.argsort(now)
    near = []
    for a, b in zip(order[:-1], order[1:], strict=True):  # neighbours: the pairs most easily exchanged
        if where[a] == where[b] or fits.polarity[parts[a]] != fits.polarity[parts[b]]:
            continue
        u = float(np.std(drawn[:, a] - drawn[:, b]))
        gap = float(now[b] - now[a])
        if gap < _K95 * u:
            near.append((gap / u, fits.part[parts[a]], fits.part[parts[b]], gap, u))
    near.sort()
    if not near:
        return []
    cause, cure = _cause(fits, parts, p.vce_V, idle_A, float(np.median([u for *_, u in near])))
    lines = [
        f"{a} and {b} cannot be told apart {cause}: V_BE differs by {1000 * gap:.2g} mV, "
        f"known to within {1000 * _K95 * u:.2g} mV."
        for _, a, b, gap, u in near[:_MOST]
    ]
    if len(near) > _MOST:
        lines.append(f"The same holds for {len(near) - _MOST} more neighbours in V_BE.")
    return [*lines, cure]


def _cause(fits, parts, vce_V: float, idle_A: float, u_V: float) -> tuple[str, str]:
    """What keeps parts from being told apart, and what would help.

    Spot readings are sharp where they were taken: for them, which step from there makes them vague.
    """
    cure = ("To tell such parts apart, measure them side by side on one block of metal, at one current, "
            "within a minute of each other (and say so: --side-by-side).")  # fmt: skip
    mostly, read_V = rule("cause_mostly"), rule("reading_vce")
    if not all(fits.source[i] == "spot" for i in parts):
        if not all(fits.temp_known[i] for i in parts):
            return "at these temperatures, which were not recorded", cure
        # two thermometer readings
        by_temperature = -rule("vbe_slope") * (2 / 3) ** 0.5 * rule("temperature_recorded")
        by_it = by_temperature > rule("cause_temperature") * u_V
        return "at this temperature uncertainty" if by_it else "by these measurements", cure

    def u_at(ic_A: float, volts: float) -> float:
        found = compare(fits, parts[:-1], parts[1:], [ic_A], volts, float(np.median(fits.temp_C[parts])))
        return float(np.median(found.u_dvbe_V))

    if vce_V > 2 * read_V and u_at(idle_A, read_V) < mostly * u_V:
        return (
            f"by these spot readings, taken at a few volts of V_CE while the stage idles at {vce_V:.0f} V",
            f"To tell such parts apart, read them at about {vce_V:.0f} V, short, on a heat sink and inside "
            f"their safe area, and say so (--reading-vce {vce_V:.0f}V).",
        )
    middle = float(np.median(np.sqrt(fits.ic_low_A[parts] * fits.ic_high_A[parts])))
    if u_at(middle, min(read_V, vce_V)) < mostly * u_V:
        return (f"by these spot readings, taken at {middle:.2g} A and not at the idle share of "
                f"{idle_A:.2g} A",
                f"To tell such parts apart, read them at about {idle_A:.2g} A.")  # fmt: skip
    return "by these spot readings", cure
