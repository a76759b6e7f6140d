"""Strict JSON by one contract: SI base units, stable keys, ``"format": 1``, null where not known."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from math import isfinite

from junction.base.records import Interval, PartReadings, SetAside
from junction.fit.results import FitSummary
from junction.judge.results import Alternative, Device, JunctionVerdict, PartVerdict

FORMAT = 1

#: estimate's parameter name -> key in the file; the values are in A, V and ohm.
PARAMETER_KEYS = {
    "IS_A": "IS", "N": "N", "RS_ohm": "RS", "RSH_ohm": "shunt", "ISR_A": "ISR", "NR": "NR",
    "IPH_A": "IPH", "BV_V": "BV", "NBV": "NBV", "R_ohm": "R", "I0_A": "I0",
}  # fmt: skip


def number(x) -> float | int | None:
    """A number, or None for nan and infinities, which JSON (RFC 8259, section 6) has no way to write."""
    if x is None or isinstance(x, bool | int):
        return x
    x = float(x)
    return x if isfinite(x) else None


def interval(it: Interval | None) -> dict | None:
    """``{"value", "low", "high"}`` of a 95 % interval; an open end is null."""
    if it is None:
        return None
    return {"value": number(it.value), "low": number(it.low), "high": number(it.high)}


def set_aside(items: Iterable[SetAside]) -> list[dict]:
    """The set-aside list."""
    return [
        {"file": s.file, "row": s.row, "column": s.column, "value": s.value, "reason": s.reason,
         "rows": s.rows}
        for s in items
    ]  # fmt: skip


def probability(p: Mapping[str, float]) -> dict:
    """Probability of each quality."""
    return {key: number(value) for key, value in p.items()}


def device(d: Device) -> dict:
    """What a part seems to be."""
    return {"kind": d.kind, "polarity": d.polarity, "material": d.material, "leads": dict(d.leads)}


def fit(f: FitSummary | None) -> dict | None:
    """One sweep's fit: parameters under their SPICE names, derived values with their unit."""
    if f is None:
        return None
    out: dict = {"model": f.model, "runner_up": f.runner_up, "evidence_gap": number(f.evidence_gap)}
    out.update((PARAMETER_KEYS.get(name, name), interval(it)) for name, it in f.parameters.items())
    out["derived"] = {name: {**(interval(it) or {}), "unit": it.unit} for name, it in f.derived.items()}
    out.update(
        flags=list(f.flags), points=int(f.n_points), points_used=int(f.n_used), chi2=number(f.chi2),
        dof=int(f.dof), temp_C=number(f.temp_C), temp_known=bool(f.temp_known),
    )  # fmt: skip
    return out


def junction(j: JunctionVerdict) -> dict:
    """Verdict of one junction."""
    return {
        "junction": j.junction, "verdict": j.verdict, "probability": probability(j.probability),
        "faults": list(j.faults), "fit": fit(j.fit), "leak_ohm": interval(j.leak_ohm),
        "evidence": list(j.evidence), "family": j.family, "limit": j.limit,
    }  # fmt: skip


def alternative(a: Alternative) -> dict:
    """Another explanation of the same readings."""
    return {
        "faults": list(a.faults), "device": device(a.device), "probability": number(a.probability),
        "decided_by": a.decided_by,
    }  # fmt: skip


def readings(p: PartReadings) -> list[dict]:
    """Meter readings of a part in the order given; an over-range reading has a null value."""
    return [
        {"placement": r.placement, "kind": r.kind, "value": number(r.value), "settling": r.settling}
        for r in p.readings
    ]


def part(v: PartVerdict) -> dict:
    """Verdict of one part."""
    return {
        "part": v.part, "verdict": v.verdict, "probability": probability(v.probability),
        "device": device(v.device), "junctions": [junction(j) for j in v.junctions],
        "faults": list(v.faults), "faults_probability": number(v.faults_probability),
        "alternatives": [alternative(a) for a in v.alternatives],
        "evidence": list(v.evidence), "next": v.next, "cannot_see": v.cannot_see,
        "warnings": list(v.warnings), "neighbours": list(v.neighbours), "basis": v.basis, "type": v.type,
        "temp_C": number(v.temp_C), "temp_known": v.temp_known, "in_circuit": v.in_circuit,
    }  # fmt: skip


def document(command: str, body: Mapping[str, object]) -> str:
    """Whole JSON text of one command.

    Parameters
    ----------
    command : str
    body : mapping
        Keys and values as the functions of this module make them; floats that are nan or infinite,
        numpy scalars and arrays, and tuples are taken care of.

    Returns
    -------
    str
        Ends in a line feed; ``format`` and ``command`` stand first, each entry of a long list on a line of
        its own (the standard library indents ten times slower than it writes).
    """
    lines = []
    for key, value in {"format": FORMAT, "command": command, **body}.items():
        if isinstance(value, list | tuple) and any(isinstance(x, Mapping) for x in value):
            text = "[\n  " + ",\n  ".join(_dump(x) for x in value) + "\n ]"
        else:
            text = _dump(value)
        lines.append(f" {json.dumps(key)}: {text}")
    whole = "{\n" + ",\n".join(lines) + "\n}\n"
    # a file name that is not UTF-8 arrives with lone surrogates; JSON writes them as escapes
    return whole.encode("utf-8", "backslashreplace").decode("utf-8")


def _dump(x) -> str:
    try:
        return json.dumps(x, ensure_ascii=False, allow_nan=False, default=_strict)
    except ValueError:  # a nan or an infinity somewhere inside
        return json.dumps(_strict(x), ensure_ascii=False, allow_nan=False)


def _strict(x):
    if x is None or isinstance(x, str | bool | int):
        return x
    if isinstance(x, float):
        return x if isfinite(x) else None
    if isinstance(x, Mapping):
        return {str(key): _strict(value) for key, value in x.items()}
    if isinstance(x, Interval):
        return interval(x)
    if hasattr(x, "tolist"):  # numpy arrays and scalars
        return _strict(x.tolist())
    if isinstance(x, list | tuple | set | frozenset):
        return [_strict(value) for value in x]
    raise TypeError(f"{type(x).__name__} has no place in the JSON contract")
