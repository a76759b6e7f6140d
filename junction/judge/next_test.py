"""Which measurement decides: the placement to read next, and what would tell two explanations apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from junction.judge.hypotheses_library import Library
from junction.judge.leads import Arrangement, log_phi
from junction.judge.leads_answer import Explanation
from junction.judge.leads_words import fault_words

#: Edges of the bins a diode-mode reading is told apart by [V]; over-range is a bin of its own.
_EDGES_V = np.array([-np.inf, 0.02, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.58, 0.64, 0.7, 0.8, 1.0, 1.3, 1.7])
#: Cells of the posterior below this share of the largest are left out of the look ahead.
_LEAST = 1e-4


def outcome_table(library: Library, rows: np.ndarray) -> np.ndarray:
    """Probability of every kind of reading under some tiles, (r, 6, bins); the last bin is over-range."""
    mean = library.mean[rows][:, :6, None]
    sd = np.sqrt(np.sum(library.factor[rows][:, :6] ** 2, axis=2) + library.noise[rows][:, :6] ** 2)[
        :, :, None
    ]
    edges = np.append(_EDGES_V[_EDGES_V < library.over[0]], library.over[0])
    below = np.exp(log_phi((edges - mean) / sd))
    below = np.concatenate([below, np.ones_like(below[:, :, :1])], axis=2)
    return np.maximum(np.diff(below, axis=2), 0.0)


def expected_information(
    library: Library, p: np.ndarray, turns: Sequence[Arrangement], what: np.ndarray
) -> np.ndarray:
    """Expected gain of each placement about what is wanted [nat].

    Parameters
    ----------
    library : Library
    p : ndarray (A, H + 1)
        Posterior so far.
    turns : sequence of Arrangement
    what : ndarray of int (A, H)
        Answer each cell stands for; only telling answers apart counts.

    Returns
    -------
    ndarray (6,)
        By actual placement: entropy of the answer minus its expected entropy after the reading.
    """
    cells = p[:, :-1]
    a, h = np.nonzero(cells > _LEAST * cells.max())
    weight = cells[a, h] / cells[a, h].sum()
    # the tiles' prior weights stand for the spread within a hypothesis; the posterior is over hypotheses
    table = outcome_table(library, np.arange(len(library.mean)))
    tile = np.exp(library.log_weight)
    starts = np.flatnonzero(np.diff(library.hypothesis, prepend=-1))
    present = library.hypothesis[starts]
    summed = np.add.reduceat(table * tile[:, None, None], starts, axis=0)
    per_hypothesis = np.zeros((len(library.hypotheses), *table.shape[1:]))
    per_hypothesis[present] = summed / np.add.reduceat(tile, starts)[:, None, None]
    order = np.array([t.order for t in turns])
    answers, index = np.unique(what[a, h], return_inverse=True)
    gain = np.zeros(6)
    for actual in range(6):
        canonical = np.argmax(order[a] == actual, axis=1)
        outcome = per_hypothesis[h, canonical]  # (cells, bins)
        joint = np.zeros((answers.size, outcome.shape[1]))
        np.add.at(joint, index, weight[:, None] * outcome)
        with np.errstate(divide="ignore", invalid="ignore"):
            split = joint * np.log(joint / (joint.sum(0) * joint.sum(1, keepdims=True)))
        gain[actual] = np.nansum(split)
    return gain


def _path_faults(e: Explanation) -> dict[str, str]:
    return dict(f.split() for f in e.faults if " " in f)


@dataclass(frozen=True)
class Circumstances:
    """What was already done, so that it is not asked for again."""

    in_circuit: bool = False
    has_ohms: bool = False
    typed: bool = False
    named: bool = False


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
    if any("resistor" in e.structure for e in (one, other)) and ("BE" in a) != ("BE" in b):
        return _built_in(done)
    if "unknown" in (one.kind, other.kind):
        return "read the marking; a transistor shows gain in an h_FE socket or with a battery"
    if set(a.values()) == {"shorted"} == set(b.values()) and a != b:
        return "nothing on a meter, two leads are one node now; the lead order of its sheet names the pair"
    if a != b:
        return _paths_test(a, b, done)
    if "diode" in (one.kind, other.kind):
        return "the marking, or its reverse voltage through 10 kohm from a supply"
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


def _paths_test(a: dict[str, str], b: dict[str, str], done: Circumstances) -> str:
    """Where two explanations blame different paths."""
    joint = sorted((set(a) ^ set(b)) | {k for k in set(a) & set(b) if a[k] != b[k]})
    spelled = " and ".join(f"{x[0]}-{x[1]}" for x in joint)
    if "open" in a.values() or "open" in b.values():
        return f"its lead order from the sheet, then {spelled} once more; or {_GAIN}"
    if done.has_ohms:
        return f"its leakage at some volt: {spelled} through 100 kohm from a supply"
    return f"{spelled} both ways on the ohms range, fingers off the leads"


ORDER_TEST = (
    "collector and emitter: try both orders in an h_FE socket (or battery, 1 kohm in the collector, "
    "100 kohm to the base); the order with the larger gain is right"
)


def good_next(seen_ohm: float) -> str:
    """What to do with a part that reads good."""
    return (
        f"If the fault remains, test what diode mode cannot: leakage at working voltage (all above about "
        f"{seen_ohm / 1e3:.2g} kohm looks good here), and gain at working current."
    )


def faulty_next(faults: Sequence[str], quality: str, *, power: bool) -> str:
    """What to do with a part that is not good."""
    tail = (
        " Test its neighbours before power comes back." if power and quality in ("shorted", "leaky") else ""
    )
    if quality == "open":
        return "Replace it, and look for what burnt it: its resistors and its driver."
    if quality == "leaky":
        return f"Clean the body and leads once, read again; if {fault_words(faults)} stays, replace it.{tail}"
    return f"Replace it.{tail}"
