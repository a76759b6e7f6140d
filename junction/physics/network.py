"""Three leads, one floating: what a meter reads between two leads of a part.

A reading puts the red lead on one node and the black lead on another and leaves the third in the air.
The floating lead still matters: with the collector open a transistor's base-emitter path saturates and
carries ``IS (1/BF + 1/(1 + BR))``, and a leak across the collector junction is amplified on its way to
the emitter.  So every reading is the solution of a small dc network of Ebers-Moll transistors, junctions
and conductances driven by the meter's own source, and this module solves that network for many parts at
once.

The method is the one circuit simulators use: each junction is replaced by its tangent (a conductance and
a current), the linear network is solved, and the junction voltages are moved towards the solution under
the logarithmic step limit that keeps exponentials finite.  The derivative of the reading with respect
to the logarithm of every parameter costs one more back substitution, because at the solution the change
of the node equations with ``ln IS`` or ``ln g`` is simply the current of that element.

References
----------
J. J. Ebers and J. L. Moll, "Large-signal behavior of junction transistors", Proc. IRE 42 (1954)
1761-1772 (the transistor, in the transport form of I. E. Getreu, "Modeling the Bipolar Transistor",
1978).  L. W. Nagel, "SPICE2", UCB/ERL M520 (1975), section 4.5 (junction step limit).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

#: Conductance that ties every node to the black lead so that a floating node has an equation [S].
GMIN_S = 1e-12
#: Voltage scale of the knee where a constant-current source meets its open-circuit voltage [V].
KNEE_V = 0.005
#: Conductance that holds the black lead at zero [S]: below a nanovolt at any meter current.
GROUND_S = 1e6
#: A last step of this size leaves an error of its square over a knee's width, some nanovolt at most [V].
_TOLERANCE_V = 3e-6
_MAX_STEPS = 200
#: From this step on, what still swings between two states is moved half-way only.
_DAMPED_FROM = 25


@dataclass(frozen=True, eq=False)
class Transistor:
    """Ebers-Moll transistor (NPN sense) between node numbers; arrays (n,): IS [A], BF [1], BR [1]."""

    base: int
    collector: int
    emitter: int
    is_A: np.ndarray
    bf: np.ndarray
    br: np.ndarray


@dataclass(frozen=True, eq=False)
class Diode:
    """Junction from `anode` to `cathode`; arrays (n,): IS [A], 0 where absent, and n_vt_V = N VT [V]."""

    anode: int
    cathode: int
    is_A: np.ndarray
    n_vt_V: np.ndarray


@dataclass(frozen=True, eq=False)
class Conductance:
    """Resistive path between two nodes; array (n,) [S], 0 where absent."""

    p: int
    q: int
    g_S: np.ndarray


@dataclass(frozen=True)
class Source:
    """The meter's source: constant current up to an open voltage, or that voltage behind a resistance.

    Parameters
    ----------
    open_V : float
        Open-circuit voltage [V].
    current_A : float
        Test current [A]; used when `resistance_ohm` is 0.
    resistance_ohm : float
        Source resistance [ohm]; 0 for the constant-current kind.
    """

    open_V: float
    current_A: float = 0.0
    resistance_ohm: float = 0.0


Element = Transistor | Diode | Conductance


@dataclass(frozen=True, eq=False)
class Solution:
    """Readings of `n` networks.

    Parameters
    ----------
    v_V : ndarray (n,)
        Voltage of the red node over the black node [V].
    i_A : ndarray (n,)
        Current the source drives [A].
    r_ohm : ndarray (n,)
        Derivative of the reading with respect to the injected current [ohm].
    dv_V : ndarray (n, p)
        Derivative of the reading with respect to the logarithm of each parameter, in element order:
        IS, BF, BR of a `Transistor`; IS of a `Diode`; g of a `Conductance` [V].
    converged : ndarray of bool (n,)
    """

    v_V: np.ndarray
    i_A: np.ndarray
    r_ohm: np.ndarray
    dv_V: np.ndarray
    converged: np.ndarray


def _take(element: Element, keep: np.ndarray) -> Element:
    if isinstance(element, Transistor):
        return Transistor(
            element.base,
            element.collector,
            element.emitter,
            element.is_A[keep],
            element.bf[keep],
            element.br[keep],
        )
    if isinstance(element, Diode):
        return Diode(element.anode, element.cathode, element.is_A[keep], element.n_vt_V[keep])
    return Conductance(element.p, element.q, element.g_S[keep])


def _junctions(elements: Sequence[Element], vt_V: float) -> list[tuple[int, int, np.ndarray, np.ndarray]]:
    """(p node, n node, IS, N VT) of every exponential, transistors first base-emitter then base-collector."""
    found = []
    for e in elements:
        if isinstance(e, Transistor):
            vt = np.full_like(e.is_A, vt_V)
            found += [(e.base, e.emitter, e.is_A, vt), (e.base, e.collector, e.is_A, vt)]
        elif isinstance(e, Diode):
            found.append((e.anode, e.cathode, e.is_A, e.n_vt_V))
    return found


def _limit(new, old, n_vt, start):
    """Junction voltage after the step limit (Nagel 1975, section 4.5).

    `start` is where a junction that comes on is set first: the voltage at which it would carry a few
    times what the source can give, so that the iteration comes down on the answer in few steps.
    """
    step = (new - old) / n_vt
    far = np.flatnonzero((new > start) & (step > 2.0))
    if far.size:
        new = new.copy()
        start, n_vt = np.broadcast_to(start, new.shape)[far], np.broadcast_to(n_vt, new.shape)[far]
        new[far] = np.where(old[far] < start, start, old[far] + n_vt * np.log1p(step[far]))
    return new


def _eliminate(a, b):
    """Solve the small dense systems a x = b, entries arrays over networks; a (k, k, n), b (k, p, n)."""
    k = a.shape[0]
    for i in range(k):
        for j in range(i + 1, k):
            factor = a[j, i] / a[i, i]
            a[j, i + 1 :] -= factor * a[i, i + 1 :]
            b[j] -= factor * b[i]
    for i in range(k - 1, -1, -1):
        for j in range(i + 1, k):
            b[i] -= a[i, j] * b[j]
        b[i] /= a[i, i]
    return b


class _Stamp:
    """Node equations of one iteration: conductance matrix and injected currents."""

    def __init__(self, nodes: int, n: int) -> None:
        self.g = np.zeros((nodes, nodes, n))
        self.i = np.zeros((nodes, n))
        for k in range(nodes):
            self.g[k, k] = GMIN_S

    def branch(self, p: int, q: int, g, i_eq=None) -> None:
        """Conductance from p to q with a current i_eq from p to q beside it."""
        self.g[p, p] += g
        self.g[q, q] += g
        self.g[p, q] -= g
        self.g[q, p] -= g
        if i_eq is not None:
            self.i[p] -= i_eq
            self.i[q] += i_eq

    def controlled(self, out: int, into: int, a: int, b: int, gm, i_eq) -> None:
        """Current from `out` to `into` of gm (v_a - v_b) + i_eq."""
        self.g[out, a] += gm
        self.g[out, b] -= gm
        self.g[into, a] -= gm
        self.g[into, b] += gm
        self.i[out] -= i_eq
        self.i[into] += i_eq


def _tangent(v, is_A, n_vt):
    grown = is_A * np.exp(v / n_vt)
    i, g = grown - is_A, grown / n_vt
    return i, g, i - g * v


def _stamp_elements(stamp: _Stamp, elements: Sequence[Element], vt_V: float, vj: list[np.ndarray]) -> None:
    k = 0
    for e in elements:
        if isinstance(e, Conductance):
            stamp.branch(e.p, e.q, e.g_S)
        elif isinstance(e, Diode):
            _, g, i_eq = _tangent(vj[k], e.is_A, e.n_vt_V)
            stamp.branch(e.anode, e.cathode, g, i_eq)
            k += 1
        else:
            _, g, i_eq = _tangent(vj[k], e.is_A, vt_V)
            stamp.branch(e.base, e.emitter, g / e.bf, i_eq / e.bf)
            stamp.controlled(e.collector, e.emitter, e.base, e.emitter, g, i_eq)
            _, g, i_eq = _tangent(vj[k + 1], e.is_A, vt_V)
            stamp.branch(e.base, e.collector, g / e.br, i_eq / e.br)
            stamp.controlled(e.emitter, e.collector, e.base, e.collector, g, i_eq)
            k += 2


def _stamp_source(stamp: _Stamp, on_red, on_black, source: Source, v_clamp) -> None:
    """Put the meter across its two leads; masks (nodes, n) say which node each lead is on."""
    if source.resistance_ohm > 0:
        g, i = 1.0 / source.resistance_ohm, source.open_V / source.resistance_ohm
    else:
        grown = source.current_A * np.exp((v_clamp - source.open_V) / KNEE_V)
        g, i = grown / KNEE_V, source.current_A - grown + grown / KNEE_V * v_clamp
    for k in range(on_red.shape[0]):
        stamp.g[k, k] += g * on_red[k] + GROUND_S * on_black[k]
        stamp.i[k] += i * on_red[k]


def _sensitivities(elements: Sequence[Element], vt_V: float, vj, v, nodes: int) -> np.ndarray:
    """Change of the current leaving each node with the logarithm of each parameter, (nodes, p, n)."""
    columns = []

    def column(flows):
        c = np.zeros((nodes, v.shape[1]))
        for p, q, i in flows:
            c[p] += i
            c[q] -= i
        columns.append(c)

    k = 0
    for e in elements:
        if isinstance(e, Conductance):
            column([(e.p, e.q, e.g_S * (v[e.p] - v[e.q]))])
        elif isinstance(e, Diode):
            column([(e.anode, e.cathode, _tangent(vj[k], e.is_A, e.n_vt_V)[0])])
            k += 1
        else:
            f, r = _tangent(vj[k], e.is_A, vt_V)[0], _tangent(vj[k + 1], e.is_A, vt_V)[0]
            be, bc, ce = (e.base, e.emitter), (e.base, e.collector), (e.collector, e.emitter)
            column([(*be, f / e.bf), (*bc, r / e.br), (*ce, f - r)])
            column([(*be, -f / e.bf)])
            column([(*bc, -r / e.br)])
            k += 2
    return np.stack(columns, axis=1)


def _iterate(elements, on_red, on_black, source, vt_V):
    """Run the tangent iteration; (node voltages, junction voltages, source voltage, converged)."""
    junctions = _junctions(elements, vt_V)
    most_A = source.open_V / source.resistance_ohm if source.resistance_ohm > 0 else source.current_A
    starts = [t * np.log1p(3 * most_A / np.maximum(s, 1e-60)) for _, _, s, t in junctions]
    nodes, n = on_red.shape
    v, vj, clamp = np.zeros((nodes, n)), [np.zeros(n) for _ in junctions], np.zeros(n)
    active, going, live = np.arange(n), np.ones(n, bool), elements
    for step in range(_MAX_STEPS):
        red, black = on_red[:, active], on_black[:, active]
        stamp = _Stamp(nodes, active.size)
        _stamp_elements(stamp, live, vt_V, [x[active] for x in vj])
        _stamp_source(stamp, red, black, source, clamp[active])
        new = _eliminate(stamp.g, stamp.i[:, None, :])[:, 0, :]
        moved = np.max(np.abs(new - v[:, active]), axis=0)
        v[:, active] = new
        for x, (p, q, _, t), on in zip(vj, junctions, starts, strict=True):
            target = new[p] - new[q]
            x_new = _limit(target, x[active], t[active], on[active])
            if step >= _DAMPED_FROM:
                x_new = 0.5 * (x_new + x[active])
            moved = np.maximum(moved, np.abs(x_new - target))
            x[active] = x_new
        if source.resistance_ohm == 0:
            target = np.sum(new * red, axis=0) - source.open_V
            x_new = _limit(target, clamp[active] - source.open_V, KNEE_V, 0.0)
            moved = np.maximum(moved, np.abs(x_new - target))
            clamp[active] = x_new + source.open_V
        going = moved > _TOLERANCE_V
        if not going.any():
            break
        if step > 2 and going.mean() < 0.85:
            active = active[going]
            live = [_take(e, active) for e in elements]
            going = going[going]
    done = np.ones(n, bool)
    done[active[going]] = False
    return v, vj, clamp, done


def solve_reading(
    elements: Sequence[Element],
    red: np.ndarray,
    black: np.ndarray,
    source: Source,
    *,
    vt_V: float,
    nodes: int = 3,
) -> Solution:
    """Readings of `n` networks of one topology, each between two leads with the others floating.

    Parameters
    ----------
    elements : sequence of Transistor, Diode, Conductance
        Arrays of one length n.  Leads are nodes 0 (B), 1 (C), 2 (E); inner nodes follow.
    red, black : ndarray of int (n,)
        Nodes the meter's leads are on.
    source : Source
        The meter's source.
    vt_V : float
        Thermal voltage kT/q [V].
    nodes : int
        Number of nodes, inner ones included.

    Returns
    -------
    Solution

    Notes
    -----
    A lead that touches nothing reads the open-circuit voltage of the source.
    """
    place = np.arange(nodes)[:, None]
    on_red, on_black = (place == red).astype(float), (place == black).astype(float)
    v, vj, clamp, done = _iterate(elements, on_red, on_black, source, vt_V)
    stamp = _Stamp(nodes, v.shape[1])
    _stamp_elements(stamp, elements, vt_V, vj)
    _stamp_source(stamp, on_red, on_black, source, clamp)
    change = -_sensitivities(elements, vt_V, vj, v, nodes)
    d = _eliminate(stamp.g, np.concatenate([change, on_red[:, None, :]], axis=1))
    d = np.sum(d * on_red[:, None, :], axis=0)
    v_V = np.sum(v * (on_red - on_black), axis=0)
    if source.resistance_ohm > 0:
        i_A = (source.open_V - v_V) / source.resistance_ohm
    else:
        i_A = source.current_A * -np.expm1((clamp - source.open_V) / KNEE_V)
    return Solution(v_V, i_A, d[-1].copy(), np.ascontiguousarray(d[:-1].T), done)
