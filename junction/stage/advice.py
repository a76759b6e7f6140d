"""What one more measurement would improve, and which differences no measurement here can claim."""

from __future__ import annotations

import numpy as np

from junction.judge.sentences import next_step, say
from junction.shelf.rules import rule
from junction.stage.sharing import drive_point
from junction.transistor.values import COVERAGE_95, compare

#: Pairs of parts named that cannot be told apart.
_MOST = 5


def advice_for(fits, stage, sets, devices, drawn) -> tuple[str, ...]:
    """Sentences for the report, the most useful first.

    Parameters
    ----------
    fits : TransistorFits
    stage : Stage
    sets : sequence of MatchedSet
    devices : Devices
        The parts of `fits`.
    drawn : mapping of str to Devices
        Draws of them at each operating point.
    """
    out = []
    idle, peak = stage.idle.total_A / stage.parallel, stage.peak.total_A / stage.parallel
    used = [fits.part.index(name) for s in sets for name in s.parts]

    def some(which) -> str:
        names = list(dict.fromkeys(fits.part[i] for i in which))
        return ", ".join(names) if len(names) <= 4 else f"{', '.join(names[:3])} and {len(names) - 3} more"

    unknown = [i for i in range(len(fits)) if not fits.temp_known[i]]
    if unknown:
        out.append(say("advice_temperature", slope=-1000 * rule("vbe_slope"), parts=some(unknown)))
    short = [i for i in used if fits.ic_high_A[i] * rule("current_reach") < peak]
    if short:
        out.append(say("advice_peak", amps=peak, parts=some(short)))
    near = rule("current_reach_idle")
    far = [i for i in used if not fits.ic_low_A[i] / near <= idle <= fits.ic_high_A[i] * near]
    if far:
        out.append(say("advice_idle", amps=idle, parts=some(far)))
    if "VAF" in fits.names and stage.idle.vce_V > rule("vce_far"):
        vaf = fits.names.index("VAF")
        guessed = [i for i in used if fits.fixed[i, vaf] and fits.source[i] != "spot"]
        if guessed:
            out.append(say("advice_vce", volts=stage.idle.vce_V, parts=some(guessed)))
    return (*out, *_cannot_tell(fits, stage, sets, devices, drawn["idle"], idle))


def _cannot_tell(fits, stage, sets, devices, drawn, idle_A: float) -> list[str]:
    """Pairs of parts in different sets whose difference is within its uncertainty."""
    parts = np.array([fits.part.index(name) for s in sets for name in s.parts], int)
    where = np.array([number for number, s in enumerate(sets) for _ in s.parts])
    p, log_ic = stage.idle, np.log(idle_A)
    now = drive_point(devices.take(parts), log_ic, p.vce_V, p.temp_C).vbe_V
    drawn = drive_point(drawn.take(parts), log_ic, p.vce_V, p.temp_C).vbe_V
    order = np.argsort(now)
    near = []
    for a, b in zip(order[:-1], order[1:], strict=True):  # neighbours: the pairs most easily exchanged
        if where[a] == where[b] or fits.polarity[parts[a]] != fits.polarity[parts[b]]:
            continue
        u = float(np.std(drawn[:, a] - drawn[:, b]))
        gap = float(now[b] - now[a])
        if gap < COVERAGE_95 * u:
            near.append((gap / u, fits.part[parts[a]], fits.part[parts[b]], gap, u))
    near.sort()
    if not near:
        return []
    read_A = float(np.median(np.sqrt(fits.ic_low_A[parts] * fits.ic_high_A[parts])))
    known = {"volts": p.vce_V, "amps": idle_A, "read_A": read_A}
    cause = _cause(fits, parts, float(np.median([u for *_, u in near])), **known)
    why = say(cause, **known)
    lines = [
        say("apart_pair", one=one, other=other, cause=why, gap=1000 * gap, known=1000 * COVERAGE_95 * u)
        for _, one, other, gap, u in near[:_MOST]
    ]
    if len(near) > _MOST:
        lines.append(say("apart_more", number=len(near) - _MOST))
    return [*lines, next_step(cause, **known)]


def _cause(fits, parts, u_V: float, volts: float, amps: float, read_A: float) -> str:
    """Reason that keeps parts from being told apart.

    Spot readings are sharp where they were taken: for them, which step from there makes them vague.
    """
    mostly, read_V = rule("cause_mostly"), rule("reading_vce")
    if not all(fits.source[i] == "spot" for i in parts):
        if not all(fits.temp_known[i] for i in parts):
            return "apart_no_temperature"
        # two thermometer readings
        by_temperature = -rule("vbe_slope") * (2 / 3) ** 0.5 * rule("temp_error_recorded")
        return "apart_temperature" if by_temperature > rule("cause_temperature") * u_V else "apart_measured"

    def u_at(ic_A: float, vce_V: float) -> float:
        found = compare(fits, parts[:-1], parts[1:], [ic_A], vce_V, float(np.median(fits.temp_C[parts])))
        return float(np.median(found.u_dvbe_V))

    if volts > 2 * read_V and u_at(amps, read_V) < mostly * u_V:
        return "apart_spot_vce"
    if u_at(read_A, min(read_V, volts)) < mostly * u_V:
        return "apart_spot_current"
    return "apart_spot"
