"""Which measurement decides: the placement to read next, and what would tell two explanations apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from junction.leads.answer import Explanation
from junction.leads.hypotheses_library import Library
from junction.leads.leads import Arrangement

#: Edges of the bins a diode-mode reading is told apart by [V]; over-range is a bin of its own.
_EDGES_V = np.array([-np.inf, 0.02, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.58, 0.64, 0.7, 0.8, 1.0, 1.3, 1.7])
#: Cells of the posterior below this share of the largest are left out of the look ahead.
_LEAST = 1e-4


def outcome_table(library: Library) -> np.ndarray:
    """Probability of every kind of reading under each hypothesis, (H, 6, bins); the last bin is over-range.

    The tiles' prior weights stand for the spread within a hypothesis; what was read already enters
    through the posterior of the hypotheses.
    """
    mean = library.mean[:, :6, None]
    variance = np.sum(library.factor[:, :6] ** 2, axis=2) + library.noise[:, :6] ** 2
    edges = np.append(_EDGES_V[_EDGES_V < library.over[0]], library.over[0])
    # the logistic curve is within 0.01 of the normal distribution function, at a tenth of its cost
    z = np.maximum((edges - mean) / np.sqrt(variance)[:, :, None], -50.0)
    below = 1 / (1 + np.exp(-1.702 * z))
    below = np.concatenate([below, np.ones_like(below[:, :, :1])], axis=2)
    table = np.maximum(np.diff(below, axis=2), 0.0)
    tile = np.exp(library.log_weight)
    starts = np.flatnonzero(np.diff(library.hypothesis, prepend=-1))
    out = np.zeros((len(library.hypotheses), *table.shape[1:]))
    summed = np.add.reduceat(table * tile[:, None, None], starts, axis=0)
    out[library.hypothesis[starts]] = summed / np.add.reduceat(tile, starts)[:, None, None]
    return out


def expected_information(
    table: np.ndarray, p: np.ndarray, turns: Sequence[Arrangement], what: np.ndarray
) -> np.ndarray:
    """Expected gain of each placement about what is wanted [nat].

    Parameters
    ----------
    table : ndarray (H, 6, bins)
        See `outcome_table`.
    p : ndarray (A, H + 1)
        Posterior so far.
    turns : sequence of Arrangement
    what : ndarray of int (A, H)
        Answer each cell stands for, counted from 0; only telling answers apart counts.

    Returns
    -------
    ndarray (6,)
        By actual placement: entropy of the answer minus its expected entropy after the reading.
    """
    cells = p[:, :-1]
    a, h = np.nonzero(cells > _LEAST * cells.max())
    weight = cells[a, h] / cells[a, h].sum()
    order = np.array([t.order for t in turns])
    gain = np.zeros(6)
    for actual in range(6):
        canonical = np.argmax(order[a] == actual, axis=1)
        joint = np.zeros((int(what.max()) + 1, table.shape[2]))
        np.add.at(joint, what[a, h], weight[:, None] * table[h, canonical])
        chance = joint.sum(axis=0) * joint.sum(axis=1, keepdims=True)
        told = joint > 0
        gain[actual] = np.sum(joint[told] * np.log(joint[told] / chance[told]))
    return gain


def _path_faults(e: Explanation) -> dict[str, str]:
    return dict(f.split() for f in e.faults if " " in f)


@dataclass(frozen=True)
class Circumstances:
    """What was already done, so that it is not asked for again, and how the leads are called."""

    turns: Sequence[Arrangement]
    leads: Sequence[str]
    in_circuit: bool = False
    has_ohms: bool = False
    typed: bool = False

    def pair(self, explanation: Explanation, path: str) -> tuple[str, str]:
        """Names of the two leads that a path lies between under an explanation."""
        if path == "AK":
            return self.leads[0], self.leads[1]
        lead_of = dict(zip(self.turns[explanation.arrangement].roles, self.leads, strict=False))
        one, other = sorted((lead_of[path[0]], lead_of[path[1]]), key="BCEAK123".index)
        return one, other


_GAIN = "try its gain: with the collector fed through 1 kohm, does a base current turn it on"


def decided_by(one: Explanation, other: Explanation, done: Circumstances) -> str:
    """Measurement that tells two explanations of the same readings apart, '' where there is none to name.

    Parameters
    ----------
    one, other : Explanation
    done : Circumstances
    """
    if done.in_circuit:
        return "lift one lead of the path, or take the part out, and read it again"
    if -1 in (one.hypothesis, other.hypothesis):
        return "clean the leads, press the probes on firmly and read all placements again"
    a, b = _path_faults(one), _path_faults(other)
    if "diode" in (one.kind, other.kind):
        return "feed it from some volts through 1 kohm: a sound one drops its forward or Zener voltage"
    if any("resistor" in e.structure and not faults for e, faults in ((one, a), (other, b))) and a != b:
        if "open" not in {*a.values(), *b.values()}:
            return _built_in(done)
    if "unknown" in (one.kind, other.kind):
        return "read the marking; a transistor shows gain in an h_FE socket or with a battery"
    if a != b:
        at_a = {done.pair(one, path): word for path, word in a.items()}
        at_b = {done.pair(other, path): word for path, word in b.items()}
        if at_a == at_b:
            return "nothing more between these leads: the lead order of its sheet says which path that is"
        return _paths_test(at_a, at_b, done)
    if one.kind != other.kind or one.structure != other.structure:
        sheet = "its sheet" if done.typed else "its sheet (give --type)"
        return f"{sheet}; or h_FE: a Darlington shows 1000 and more"
    return ""


def _built_in(done: Circumstances) -> str:
    """Leak or built-in resistor: the sheet, the ohms, the gain."""
    sheet = (
        "" if done.typed else "find out whether the type has a built-in base-emitter resistor (give --type); "
    )
    if done.has_ohms:
        return f"{sheet}compare the ohms with its sheet; or {_GAIN}"
    return f"{sheet}base-emitter on ohms both ways: a built-in resistor reads the sheet's value; or {_GAIN}"


def _paths_test(a: dict, b: dict, done: Circumstances) -> str:
    """Where two explanations blame different pairs of leads."""
    joint = sorted((set(a) ^ set(b)) | {k for k in set(a) & set(b) if a[k] != b[k]})
    spelled = " and ".join("-".join(pair) for pair in joint)
    if "open" in a.values() or "open" in b.values():
        return f"its lead order from the sheet, then {spelled} once more; or {_GAIN}"
    if done.has_ohms:
        return f"its leakage at some volt: {spelled} through 100 kohm from a supply"
    return f"{spelled} both ways on the ohms range, fingers off the leads"


ORDER_TEST = (
    "collector and emitter: try both orders in an h_FE socket (or battery, 1 kohm in the collector, "
    "100 kohm to the base); the order with the larger gain is right"
)


def good_next(seen_ohm: float, *, diode: bool, gain_read: bool = False) -> str:
    """What to do with a part that reads good."""
    gain = "" if diode else ", and gain at its working current" if gain_read else ", and gain"
    return (
        f"If the fault remains, test what diode mode cannot: leakage at working voltage (all above about "
        f"{seen_ohm / 1e3:.2g} kohm looks good here){gain}."
    )


def faulty_next(faults: Sequence[str], quality: str, *, power: bool) -> str:
    """What to do with a part that is not good."""
    tail = (
        " Test its neighbours before power comes back." if power and quality in ("shorted", "leaky") else ""
    )
    if not power:
        return "Replace it, and look for what overloaded it."
    if quality == "open":
        return "Replace it, and look for what burnt it: its resistors and its driver."
    if quality == "leaky":
        return f"Clean the body and leads once, read again; if the leak stays, replace it.{tail}"
    return f"Replace it.{tail}"
