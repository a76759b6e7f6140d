"""Three leads, one floating: what a meter reads between two leads of a part.

A reading puts the red lead on one node and the black lead on another and leaves the third in the air.
The floating lead still matters: with the collector open a transistor's base-emitter path saturates and
carries ``IS (1/BF + 1/(1 + BR))``, and a leak across the collector junction is amplified on its way to
the emitter.  So every reading is the solution of a small dc network of Ebers-Moll transistors, junctions
and conductances driven by the meter's own source, and this module solves that network for many parts at
once.

The method is the one circuit simulators use: each junction is replaced by its tangent (a conductance and
a current), the linear network is solved, and the junction voltages are moved towards the solution under
the logarithmic step limit that keeps exponentials finite; a junction that must carry far less than it does
is set to the voltage at which it carries that, where a tangent comes down by kT/q a step.  The derivative
of the reading with respect to the logarithm of every parameter costs one more back substitution, because at
the solution the change of the node equations with ``ln IS`` or ``ln g`` is simply the current that the
parameter scales.

References
----------
J. J. Ebers and J. L. Moll, "Large-signal behavior of junction transistors", Proc. IRE 42 (1954)
1761-1772 (the transistor, in the transport form of I. E. Getreu, "Modeling the Bipolar Transistor",
1978).  L. W. Nagel, "SPICE2", UCB/ERL M520 (1975), section 4.5 (junction step limit).
"""

from __future__ import annotations

import numpy as np

#: Conductance that ties every node to the black lead so that a floating node has an equation [S].
GMIN_S = 1e-12
#: Voltage scale of the knee where a constant-current source meets its open-circuit voltage [V].
KNEE_V = 0.005
#: Conductance that holds the black lead at zero [S]: below a nanovolt at any meter current.
GROUND_S = 1e6
#: A last step of this size leaves an error of its square over a knee's width, and less than a microvolt where
#: an answer comes nearer by halves [V].
_TOLERANCE_V = 3e-7
_MAX_STEPS = 600
#: From this step on, what still swings between two states by more than the second is moved half-way only [V].
_DAMPED_FROM, _SWING_V = 8, 0.05
#: And by so much over the number of the step, once that is less: in half-way moves the two transistors of a
#: Darlington can hand a swing round for ever.  Of 576,000 readings of such parts one does not come to rest.
_SLOWER = 25
#: A reading that has not moved for so many steps is settled, whatever rounding does to a floating node.
_STILL = 40


class Network:
    """Networks of one topology, many at once; nodes 0, 1, 2 are the leads B, C, E, inner nodes follow.

    Elements are added one by one, their values as arrays (n,) over the networks.  Adding one gives the
    place of its first parameter among the derivatives that `read` returns.

    Parameters
    ----------
    vt_V : float
        Thermal voltage kT/q [V].
    nodes : int
        Number of nodes, inner ones included.
    """

    def __init__(self, vt_V: float, nodes: int = 3) -> None:
        self._vt_V, self._nodes = vt_V, nodes
        self._junctions: list[tuple[int, int, np.ndarray, np.ndarray]] = []  # anode, cathode, IS, N VT
        #: Currents from node to node: what a junction carries over a gain; a voltage by a conductance (None).
        self._flows: list[tuple[int, int, int | None, np.ndarray]] = []
        self._parameters: list[list[tuple[int, int]]] = []  # flows that each scales, and their signs

    def _flow(self, out: int, into: int, junction: int | None, value: np.ndarray) -> int:
        self._flows.append((out, into, junction, value))
        return len(self._flows) - 1

    def transistor(self, base: int, collector: int, emitter: int, is_A, bf, br) -> int:
        """Ebers-Moll transistor (NPN sense); parameters IS [A], BF [1], BR [1]."""
        first, k, one = len(self._parameters), len(self._junctions), np.ones_like(bf)
        n_vt = np.full_like(is_A, self._vt_V)
        self._junctions += [(base, emitter, is_A, n_vt), (base, collector, is_A, n_vt)]
        be = self._flow(base, emitter, k, bf)
        ce = self._flow(collector, emitter, k, one)
        bc = self._flow(base, collector, k + 1, br)
        ec = self._flow(emitter, collector, k + 1, one)
        self._parameters += [[(be, 1), (ce, 1), (bc, 1), (ec, 1)], [(be, -1)], [(bc, -1)]]
        return first

    def diode(self, anode: int, cathode: int, is_A, n_vt_V) -> int:
        """Junction; parameter IS [A], 0 where there is none; n_vt_V is N VT [V]."""
        self._junctions.append((anode, cathode, is_A, n_vt_V))
        flow = self._flow(anode, cathode, len(self._junctions) - 1, np.ones_like(is_A))
        self._parameters.append([(flow, 1)])
        return len(self._parameters) - 1

    def path(self, p: int, q: int, g_S) -> int:
        """Resistive path; parameter its conductance [S], 0 where there is none."""
        self._parameters.append([(self._flow(p, q, None, g_S), 1)])
        return len(self._parameters) - 1

    def read(self, red, black, *, open_V: float, current_A: float = 0.0, resistance_ohm: float = 0.0):
        """What the meter reads between two leads of each network, the others floating.

        Parameters
        ----------
        red, black : ndarray of int (n,)
            Nodes the meter's leads are on.
        open_V : float
            Open-circuit voltage of the meter [V]; a lead that touches nothing reads it.
        current_A : float
            Test current of a meter that drives one until it reaches its open-circuit voltage [A].
        resistance_ohm : float
            Source resistance of the other kind of meter [ohm]; 0 for the constant-current kind.

        Returns
        -------
        v_V : ndarray (n,)
            Voltage of the red node over the black node [V].
        i_A : ndarray (n,)
            Current the source drives [A].
        r_ohm : ndarray (n,)
            Derivative of the reading with respect to the injected current [ohm].
        dv_V : ndarray (n, p)
            Derivative of the reading with respect to the logarithm of each parameter [V].
        converged : ndarray of bool (n,)
            Where it is false nothing is known of the reading.
        """
        source = (open_V, current_A, resistance_ohm)
        place = np.arange(self._nodes)[:, None]
        on_red, on_black = (place == red).astype(float), (place == black).astype(float)
        v, vj, clamp, converged = self._iterate(on_red, on_black, source)
        value, is_A, n_vt = self._arrays(len(red))
        a, b, carried = self._equations(value, is_A, n_vt, vj, on_red, on_black, source, clamp)
        change = np.zeros((self._nodes, len(self._parameters) + 1, len(red)))
        change[:, -1] = on_red
        for k, scaled in enumerate(self._parameters):
            for flow, sign in scaled:
                out, into, junction, _ = self._flows[flow]
                if junction is None:
                    scaled_A = sign * value[flow] * (v[out] - v[into])
                else:
                    scaled_A = sign * carried[junction] / value[flow]
                change[out, k] -= scaled_A
                change[into, k] += scaled_A
        d = np.sum(_eliminate(a, change) * on_red[:, None, :], axis=0)
        v_V = np.sum(v * (on_red - on_black), axis=0)
        if resistance_ohm > 0:
            i_A = (open_V - v_V) / resistance_ohm
        else:
            i_A = current_A * -np.expm1((clamp - open_V) / KNEE_V)
        return v_V, i_A, d[-1].copy(), np.ascontiguousarray(d[:-1].T), converged

    def _arrays(self, n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Gains or conductances of the flows, IS and N VT of the junctions, each over the networks."""
        _, _, is_A, n_vt = zip(*self._junctions, strict=True) if self._junctions else ((),) * 4
        value = [flow[3] for flow in self._flows]
        value, is_A, n_vt = (np.reshape(x, (-1, n)) for x in (value, is_A, n_vt))
        # no current bounds the voltage where there is no junction: its exponential must not overflow
        return value, is_A, np.where(is_A > 0, n_vt, 1.0)

    def _iterate(self, on_red, on_black, source):
        """Run the tangent iteration; (node voltages, junction voltages, source voltage, converged)."""
        open_V, current_A, resistance_ohm = source
        n = on_red.shape[1]
        value, is_A, n_vt = self._arrays(n)
        anode, cathode = ([j[k] for j in self._junctions] for k in (0, 1))
        most_A = open_V / resistance_ohm if resistance_ohm > 0 else current_A
        start = n_vt * np.log1p(3 * most_A / np.maximum(is_A, 1e-60))
        v, vj, clamp = np.zeros((self._nodes, n)), np.zeros((len(anode), n)), np.zeros(n)
        active, converged, still, shown = np.arange(n), np.zeros(n, bool), np.zeros(n, int), np.zeros(n)
        for step in range(_MAX_STEPS):
            old, old_clamp = vj[:, active], clamp[active]
            a, b, _ = self._equations(value, is_A, n_vt, old, on_red, on_black, source, old_clamp)
            new = _eliminate(a, b[:, None, :])[:, 0, :]
            moved = np.max(np.abs(new - v[:, active]), axis=0)
            v[:, active] = new
            if anode:
                target = new[anode] - new[cathode]
                limited = _come_down(_limit(target, old, n_vt, start), target, old, n_vt)
                if step >= _DAMPED_FROM:
                    swings = np.max(np.abs(limited - old), axis=0) > _SWING_V
                    part = min(0.5, _SLOWER / step)
                    limited = np.where(swings, old + part * (limited - old), limited)
                moved = np.maximum(moved, np.max(np.abs(limited - target), axis=0))
                vj[:, active] = limited
            if resistance_ohm == 0:
                target = np.sum(new * on_red, axis=0) - open_V
                limited = _limit(target, old_clamp - open_V, KNEE_V, 0.0)
                moved = np.maximum(moved, np.abs(limited - target))
                clamp[active] = limited + open_V
            going = moved > _TOLERANCE_V
            if step >= _DAMPED_FROM:
                reading = np.sum(new * (on_red - on_black), axis=0)
                still[active] = (still[active] + 1) * (np.abs(reading - shown[active]) < _TOLERANCE_V)
                shown[active] = reading
                going &= still[active] < _STILL
            converged[active] = ~going
            if not going.any():
                break
            if step > 2 and going.mean() < 0.85:
                active = active[going]
                value, is_A, n_vt, start = (x[:, going] for x in (value, is_A, n_vt, start))
                on_red, on_black = on_red[:, going], on_black[:, going]
        return v, vj, clamp, converged

    def _equations(self, value, is_A, n_vt, vj, on_red, on_black, source, clamp):
        """Node equations at some junction voltages: conductances, injected currents, junction currents."""
        a = np.zeros((self._nodes, *on_red.shape))
        b = np.zeros(on_red.shape)
        for k in range(self._nodes):
            a[k, k] = GMIN_S
        grown = is_A * np.exp(vj / n_vt)
        carried, tangent = grown - is_A, grown / n_vt
        rest = carried - tangent * vj
        for k, (out, into, junction, _) in enumerate(self._flows):
            if junction is None:
                plus, minus, g = out, into, value[k]
            else:
                plus, minus = self._junctions[junction][:2]
                g, i = tangent[junction] / value[k], rest[junction] / value[k]
                b[out] -= i
                b[into] += i
            a[out, plus] += g
            a[out, minus] -= g
            a[into, plus] -= g
            a[into, minus] += g
        open_V, current_A, resistance_ohm = source
        if resistance_ohm > 0:
            g, i = 1.0 / resistance_ohm, open_V / resistance_ohm
        else:
            grown = current_A * np.exp((clamp - open_V) / KNEE_V)
            g, i = grown / KNEE_V, current_A - grown + grown / KNEE_V * clamp
        for k in range(self._nodes):
            a[k, k] += g * on_red[k] + GROUND_S * on_black[k]
        return a, b + i * on_red, carried


def _limit(new, old, n_vt, start):
    """Junction voltage after the step limit (Nagel 1975, section 4.5).

    `start` is where a junction that comes on is set first: the voltage at which it would carry a few
    times what the source can give, so that the iteration comes down on the answer in few steps.
    """
    step = (new - old) / n_vt
    far = (new > start) & (step > 2.0)
    if not far.any():
        return new
    start, n_vt = (np.broadcast_to(x, new.shape)[far] for x in (start, n_vt))
    new = new.copy()
    new[far] = np.where(old[far] < start, start, old[far] + n_vt * np.log1p(step[far]))
    return new


def _come_down(limited, new, old, n_vt):
    """Junction voltage at which the current is the tangent's, where a junction must carry far less.

    Where all else draws little current, a tangent at a high voltage gives a step of one N VT, however far
    the answer is below; the current that it gives there is right at once.
    """
    step = (new - old) / n_vt
    down = (step < -0.5) & (step > -1 - 1e-6) & (old > 2 * n_vt)
    if not down.any():
        return limited
    old, step, n_vt = old[down], step[down], n_vt[down]
    share = np.exp(old / n_vt) * (1 + step) - (1 + step)  # of IS: the current over it
    limited = limited.copy()
    limited[down] = n_vt * np.log1p(np.maximum(share, -0.9))
    return limited


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
