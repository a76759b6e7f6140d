"""Networks of stock resistors: every series-parallel one of few parts, and any number of equal parts.

A network is judged by three facts.  Its value is homogeneous of degree one in its parts, so that all parts
off by the same fraction put the whole off by that fraction (worst case).  The share of the whole's relative
error that a part contributes equals its share of the dissipation (Cohn's theorem: dR/dR_k = (i_k/i)^2), so
that unequal parts average less.  And the part with the largest share gets hot first.

The search meets in the middle.  At its root a network of up to five parts is one part or a pair, joined with
what is missing; what is missing is looked up in the sorted values of all pairs (of all triples, for five), so
that all networks are covered in the time of their halves.
"""

from __future__ import annotations

import re
from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from math import ceil, floor, inf, isfinite, isinf, isnan, log10, nan, sqrt

import numpy as np

from junction.base.units import NORMAL_95
from junction.replace.results import Hindrance, NetworkFault, ResistorNetwork, SearchBound
from junction.shelf.tables import resistor_series, rule

#: 95 % of the sum of independent errors that are even within their limits: 1.96/sqrt(3) of the limit
#: (JCGM 100:2008, 4.3.7 and G.1); for a single part the limit itself bounds it.
_LIKELY = NORMAL_95 / sqrt(3)
_OTHER = {"+": "|", "|": "+"}
#: Parts up to which every network is tried; more are equal parts.
MIXED_PARTS = 5
#: Parts up to which equal ones are taken.
EQUAL_PARTS = 100
#: Stock values with which all networks of so many parts are tried; of more, the nearest in ratio.
_MOST_VALUES = {4: 800, 5: 100}
_FEW_VALUES = 30  # up to so many values five parts are tried unasked, where four do not answer
_NEAREST = 12  # networks that a search hands on
_STEPS = 60  # neighbours tried in either direction where ratings or counts forbid the nearest
_SLACK = 1.1  # shares of the wanted value, while the network's own is not known yet


# --- one network ----------------------------------------------------------------------------------------


@cache
def tree_of(arrangement: str):
    """``A + (B | C)`` as a tree: a part is its number from 0, a join a pair of sign and what it joins."""
    words = re.findall(r"[A-Z]+|[()+|]", arrangement)[::-1]
    numbers = iter(range(len(words)))

    def term():
        if words.pop() != "(":
            return next(numbers)
        inner = join()
        words.pop()
        return inner

    def join():
        items, how = [term()], ""
        while words and words[-1] in _OTHER:
            how = words.pop()
            items.append(term())
        return (how, tuple(items)) if how else items[0]

    return join()


def _letter(k: int) -> str:
    """A, B ... Z, AA, AB ..., as a spreadsheet counts its columns."""
    return (_letter(k // 26 - 1) if k >= 26 else "") + chr(65 + k % 26)


def _leaves(tree) -> tuple:
    return tuple(x for item in tree[1] for x in _leaves(item)) if isinstance(tree, tuple) else (tree,)


def _ordered(tree):
    """The same network in the one form that all its writings share: the smaller first, joins flat."""
    if not isinstance(tree, tuple):
        return tree
    how, items = tree[0], []
    for item in map(_ordered, tree[1]):
        items += item[1] if isinstance(item, tuple) and item[0] == how else (item,)
    return how, tuple(sorted(items, key=lambda item: (len(_leaves(item)), _leaves(item), str(item))))


def _written(tree) -> tuple[str, tuple[float, ...]]:
    """Arrangement and parts of a tree of values."""
    parts: list[float] = []

    def text(tree, inside: bool) -> str:
        if not isinstance(tree, tuple):
            parts.append(float(tree))
            return _letter(len(parts) - 1)
        joined = f" {tree[0]} ".join(text(item, True) for item in tree[1])
        return f"({joined})" if inside else joined

    return text(tree, False), tuple(parts)


def _joined(how: str, ohms: Sequence):
    """Value in series (+) or in parallel (|)."""
    if how == "+":
        return sum(ohms)
    # a part of no resistance, or of one without end, stands among numbers only: `faults`
    if any(isinstance(r, float) and r == 0 for r in ohms):
        return 0.0
    conductance = sum(1 / r for r in ohms)
    return inf if isinstance(conductance, float) and conductance == 0 else 1 / conductance


def _value(tree, parts: Sequence):
    return _joined(tree[0], [_value(item, parts) for item in tree[1]]) if isinstance(tree, tuple) else (
        parts[tree]
    )


def value_and_shares(arrangement: str, parts_ohm: Sequence) -> tuple:
    """Value of a network and the share of each part in its dissipation; the shares add up to 1.

    Parameters
    ----------
    arrangement : str
        Letters in series (``A + B``) and in parallel (``A | B``), with brackets: ``A + (B | (C + D))``.
    parts_ohm : sequence of float or of ndarray
        Parts in the order of the letters [ohm]; arrays work element by element.
    """

    def split(tree, share):
        if not isinstance(tree, tuple):
            return _value(tree, parts_ohm), [share]
        values = [_value(item, parts_ohm) for item in tree[1]]
        whole = _joined(tree[0], values)
        parts = [
            split(item, share * (value / whole if tree[0] == "+" else whole / value))[1]
            for item, value in zip(tree[1], values, strict=True)
        ]
        return whole, [x for some in parts for x in some]

    whole, shares = split(tree_of(arrangement), 1.0)
    return whole, tuple(shares)


def network(
    arrangement: str, parts_ohm: Sequence[float], wanted_ohm: float, tolerance: float, power_W: float = nan,
    watts: Mapping[float, float] | float = nan,
) -> ResistorNetwork:  # fmt: skip
    """One network with its error, tolerance, and what each part gets of the power.

    Parameters
    ----------
    arrangement, parts_ohm
        As `value_and_shares` takes them.
    wanted_ohm, tolerance : float
        Wanted value [ohm] and tolerance of the parts [1].
    power_W : float
        Dissipation of the whole [W]; nan leaves power out.
    watts : float or mapping of float to float
        Rating of the parts, or of each value [W]; nan where not known.
    """
    parts = tuple(float(x) for x in parts_ohm)
    ohm, shares = value_and_shares(arrangement, parts)
    likely = min(1.0, _LIKELY * sqrt(sum(s * s for s in shares))) * tolerance
    rated = [watts.get(x, nan) if isinstance(watts, Mapping) else watts for x in parts]
    used = [power_W * s / w for s, w in zip(shares, rated, strict=True) if not isnan(w)]
    return ResistorNetwork(
        arrangement, parts, ohm, ohm / wanted_ohm - 1, shares, tolerance, likely, power_W * max(shares),
        tuple(power_W * s for s in shares), tuple(sqrt(power_W * s * x) for s, x in zip(shares, parts,
                                                                                         strict=True)),
        rule("resistor_power") * power_W * max(shares), max(used, default=nan),
    )  # fmt: skip


def answers(net: ResistorNetwork) -> bool:
    """Whether it comes near enough to be taken: within the tolerance, by the rule ``resistor_answer``."""
    return abs(net.error) <= net.tolerance_worst * rule("resistor_answer") + 1e-9


def with_faults(net: ResistorNetwork, power_W: float = nan, watts: Mapping | float = nan) -> ResistorNetwork:
    """The network with what it becomes when a part opens or shorts.

    Of equal parts in a grid one stands for all.  Heat is that at the voltage and at the current which
    drive the whole sound network to `power_W`; the parameters are those of `network`.
    """
    tree = tree_of(net.arrangement)
    alike = len(net.parts_ohm) > MIXED_PARTS
    found: dict[tuple, NetworkFault] = {}
    for k, part in enumerate(net.parts_ohm[:1] if alike else net.parts_ohm):
        for kind, value in (("open", inf), ("shorted", 0.0)):
            parts = (*net.parts_ohm[:k], value, *net.parts_ohm[k + 1 :])
            ohm = _value(tree, parts)
            key = kind, part, float(f"{ohm:.9g}")
            if key in found:
                continue
            hot = []
            for amps in (sqrt(power_W * net.ohm) / ohm if ohm else nan, sqrt(power_W / net.ohm)):
                heat = (nan,) if isnan(amps) or isinf(ohm) else _heat(tree, parts, amps)
                rated = [watts.get(x, nan) if isinstance(watts, Mapping) else watts for x in parts]
                used = [p / w for p, w in zip(heat, rated, strict=False) if not isnan(w)]
                hot.append((max(heat), max(used, default=nan)))
            found[key] = NetworkFault(
                part, kind, ohm, isinf(ohm), hot[0][0], hot[1][0], hot[0][1], hot[1][1]
            )
    return replace(net, faults=tuple(found.values()))


def _heat(tree, parts: Sequence[float], amps: float) -> list[float]:
    """Dissipation of each part at a current through the whole [W]; parts may be 0 or inf."""
    if not isinstance(tree, tuple):
        return [amps * amps * parts[tree] if amps else 0.0]
    if tree[0] == "+":
        return [p for item in tree[1] for p in _heat(item, parts, amps)]
    values = [_value(item, parts) for item in tree[1]]
    volts = amps * _joined("|", values) if amps else 0.0
    return [p for item, v in zip(tree[1], values, strict=True)
            for p in _heat(item, parts, volts / v if v and isfinite(volts) else 0.0)]  # fmt: skip


# --- the stock ------------------------------------------------------------------------------------------


def stock_values(name: str, low_ohm: float, high_ohm: float) -> tuple[float, ...]:
    """All values of a preferred number series from `low_ohm`, above zero, to `high_ohm` [ohm], both included.

    Raises
    ------
    UsageError
        No such series.
    """
    series = resistor_series(name)
    found = []
    for decade in range(floor(log10(low_ohm)) - 1, ceil(log10(high_ohm)) + 1):
        power = decade - (series.digits - 1)
        for value in series.values:
            # dividing by a whole power of ten keeps 0.22 the float that is written 0.22
            ohm = float(value * 10**power if power >= 0 else value / 10**-power)
            if low_ohm * (1 - 1e-12) <= ohm <= high_ohm * (1 + 1e-12):
                found.append(ohm)
    return tuple(found)


@dataclass(frozen=True)
class _Stock:
    """Values at hand, rising, how many there are of each, and what share of the power each may take."""

    ohm: np.ndarray
    count: np.ndarray
    share: np.ndarray

    def nearest(self, wanted: float, most: int) -> _Stock:
        """The values nearest to the wanted one in ratio."""
        if self.ohm.size <= most:
            return self
        keep = np.sort(np.argsort(np.abs(np.log(self.ohm / wanted)), kind="stable")[:most])
        return _Stock(self.ohm[keep], self.count[keep], self.share[keep])

    @property
    def free(self) -> bool:
        """Whether every network is allowed."""
        return bool(np.all(np.isinf(self.count)) and np.all(self.share >= 1))


class _Half:
    """All networks of one size that may stand in one half, by rising value.

    ``leaves`` are numbers into the stock, ``strain`` is the largest share of the half's own dissipation over
    what its part may take of the whole's.
    """

    def __init__(self, stock: _Stock, inner: _Half | None = None) -> None:
        n = stock.ohm.size
        self.stock, self.inner, self.size = stock, inner, inner.size + 1 if inner else 1
        if inner is None:
            self.ohm, self.strain, self.leaves = stock.ohm, 1 / stock.share, (np.arange(n),)
            return
        k, q = np.divmod(np.arange(n * inner.ohm.size), inner.ohm.size)
        if inner.inner is None:  # pairs: either order is the same
            k, q = k[k <= q], q[k <= q]
        part, rest = stock.ohm[k], inner.ohm[q]
        series = part + rest
        value = np.concatenate((series, part * rest / series))
        order = np.argsort(value, kind="stable")
        self.ohm, self.plus = value[order], order < k.size
        order %= k.size
        self.first, self.second = k[order], q[order]
        if not stock.free:
            self.leaves = (self.first, *(leaf[self.second] for leaf in inner.leaves))
            part, rest = stock.ohm[self.first], inner.ohm[self.second]
            share = np.where(self.plus, part, rest) / (part + rest)
            self.strain = np.maximum(share / stock.share[self.first],
                                     (1 - share) * inner.strain[self.second])  # fmt: skip

    def tree(self, k: int):
        """One of them as a tree of values."""
        if self.inner is None:
            return float(self.ohm[k])
        part = float(self.stock.ohm[self.first[k]])
        return "+" if self.plus[k] else "|", (part, self.inner.tree(self.second[k]))


def _rest(how: str, whole, part):
    """What is missing to make `whole` of `part`; not above zero where nothing can."""
    if how == "+":
        return whole - part
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(part > whole, whole * part / (part - whole), -1.0)


def _join(how: str, a, b):
    return a + b if how == "+" else a * b / (a + b)


def _share(how: str, part, whole):
    return part / whole if how == "+" else whole / part


def _near(wanted: float, how: str, fixed: Sequence[_Half], right: _Half) -> tuple[list, bool]:
    """Nearest networks of what is fixed and one of `right`, and whether none nearer can have been missed.

    ``(a,)`` with q is ``a how q``; ``(a, b)`` with q is ``a how (b other q)``.
    """
    other, stock = _OTHER[how], right.stock
    rows = np.arange(fixed[0].ohm.size)
    missing = _rest(how, wanted, fixed[0].ohm)
    rows, inner, number = rows[missing > 0], missing[missing > 0], None
    if len(fixed) == 2:
        count = fixed[1].ohm.size
        number = np.tile(np.arange(count), rows.size)
        rows, inner = np.repeat(rows, count), np.repeat(inner, count)
        missing = _rest(other, inner, fixed[1].ohm[number])
        keep = missing > 0
        rows, number, inner, missing = rows[keep], number[keep], inner[keep], missing[keep]
    else:
        missing = inner
    if not stock.free:
        # of the wanted value the shares are nearly these; the missing half shares at best evenly
        able = _share(how, fixed[0].ohm[rows], wanted) * fixed[0].strain[rows] <= _SLACK
        share = _share(how, inner, wanted)
        if number is not None:
            able &= share * _share(other, fixed[1].ohm[number], inner) * fixed[1].strain[number] <= _SLACK
            share = share * _share(other, missing, inner)
        able &= share / (right.size * stock.share.max()) <= _SLACK
        if number is not None:
            number = number[able]
        rows, inner, missing = rows[able], inner[able], missing[able]
    place, all_seen, found = np.searchsorted(right.ohm, missing), True, []
    bar = inf  # error of the worst that is handed on

    for step in (-1, 1):
        active = np.arange(rows.size)
        at = place - 1 if step < 0 else place
        for _ in range(_STEPS if not stock.free else 1):
            inside = (at >= 0) & (at < right.ohm.size)
            active, at = active[inside], at[inside]
            if not active.size:
                break
            q, row = right.ohm[at], rows[active]
            a, b = fixed[0].ohm[row], q
            if number is not None:
                b = _join(other, fixed[1].ohm[number[active]], q)
            whole = _join(how, a, b)
            off = np.abs(whole / wanted - 1)
            near = off <= bar
            allowed = near
            if not stock.free:
                allowed = near & _allowed(
                    stock, how, whole, a, b, q, fixed, right, row,
                    None if number is None else number[active], at,
                )  # fmt: skip
            if allowed.any():
                good = np.flatnonzero(allowed)
                if good.size > _NEAREST:
                    good = good[np.argpartition(off[good], _NEAREST - 1)[:_NEAREST]]
                found += zip(off[good].tolist(), active[good].tolist(), at[good].tolist(), strict=True)
                found.sort(key=lambda x: (round(x[0], 12), x[1], x[2]))
                del found[_NEAREST:]
                bar = found[-1][0] if len(found) == _NEAREST else inf
            left = near & ~allowed
            active, at = active[left], at[left] + step
        else:
            all_seen &= stock.free or not active.size
    trees = []
    for _, row, q in found:
        last = right.tree(q)
        if number is not None:
            last = (other, (fixed[1].tree(number[row]), last))
        trees.append((how, (fixed[0].tree(rows[row]), last)))
    return trees, all_seen


def _allowed(stock, how, whole, a, b, q, fixed, right, row, number, at) -> np.ndarray:
    """Which networks keep the share that each part may take, and how many there are of each value."""
    share = _share(how, b, whole)
    ok = _share(how, a, whole) * fixed[0].strain[row] <= 1 + 1e-9
    leaves = [leaf[row] for leaf in fixed[0].leaves]
    if number is not None:
        inner = fixed[1].ohm[number]
        ok &= share * _share(_OTHER[how], inner, b) * fixed[1].strain[number] <= 1 + 1e-9
        share = share * _share(_OTHER[how], q, b)
        leaves += [leaf[number] for leaf in fixed[1].leaves]
    ok &= share * right.strain[at] <= 1 + 1e-9
    if not np.all(np.isinf(stock.count)):
        leaves += [leaf[at] for leaf in right.leaves]
        for leaf in leaves:
            ok &= sum((other == leaf).astype(int) for other in leaves) <= stock.count[leaf]
    return ok


def _mixed(wanted: float, stock: _Stock, most: int) -> tuple[list, list[SearchBound]]:
    """Trees of the nearest networks of one to `most` parts, and what was tried for each count."""
    single = np.flatnonzero((stock.count >= 1) & (stock.share >= 1 - 1e-9))
    ohm = stock.ohm[single]
    at = int(np.searchsorted(ohm, wanted))
    trees: list = [float(x) for x in ohm[max(at - 2, 0) : at + 2]]
    bounds = [SearchBound(1, float(stock.ohm[0]), float(stock.ohm[-1]), True)]
    two = None
    for count in range(2, most + 1):
        tried = stock.nearest(wanted, _MOST_VALUES.get(count, stock.ohm.size))
        whole = tried.ohm.size == stock.ohm.size
        if tried.share.max() * count < 1 - 1e-9:
            continue  # so few parts cannot share the power
        if two is None or not whole:
            one = _Half(tried)
            two = _Half(tried, one)
        three = _Half(tried, two) if count == 5 else None
        for how in _OTHER:
            searches = {
                2: (((one,), one),),
                3: (((one,), two),),
                4: (((two,), two), ((one, one), two)),
                5: (((two,), three), ((one, two), two), ((one, one), three)),
            }[count]
            for fixed, right in searches:
                found, all_seen = _near(wanted, how, fixed, right)
                trees += found
                whole &= all_seen
        bounds.append(SearchBound(count, float(tried.ohm[0]), float(tried.ohm[-1]), whole))
    return trees, bounds


def _equal(wanted: float, stock: _Stock, most: int, step: float) -> list:
    """Trees of equal parts: strings of n in series, m of them side by side, n times m up to `most`."""
    found, counts_as = [], 1 / rule("resistor_step")
    for count in range(1, most + 1):
        able = stock.ohm[(stock.count >= count) & (stock.share * count >= 1 - 1e-9)].tolist()
        for n in range(1, count + 1):
            if count % n == 0 and able:
                one = wanted * (count // n) / n
                at = bisect_left(able, one * (1 - 1e-12))
                for ohm in able[max(at - 1, 0) : at + 1]:
                    off = abs(ohm / one - 1)
                    near = off / step
                    found.append((round(near) if near <= counts_as else near, count, n, off, ohm))
    # nearest of each count of parts, then the best of all
    found.sort(key=lambda x: (x[1], x[0], x[3]))
    seen: dict[int, int] = {}
    kept = []
    for one in found:
        seen[one[1]] = seen.get(one[1], 0) + 1
        if seen[one[1]] <= 2:
            kept.append(one)
    trees = []
    for _, count, n, _, ohm in sorted(kept)[:_NEAREST] + kept[:4]:
        string = ("+", (ohm,) * n) if n > 1 else ohm
        trees.append(("|", (string,) * (count // n)) if count > n else string)
    return trees


def combinations(
    wanted_ohm: float, stock_ohm: Sequence[float], *, counts: Mapping[float, float] | None = None,
    watts: Mapping[float, float] | float = nan, tolerance: float = 0.05, power_W: float = nan,
    most_parts: int | None = None, each: int = 2,
) -> tuple[tuple[ResistorNetwork, ...], tuple[SearchBound, ...]]:  # fmt: skip
    """Networks of stock resistors for a value, best first, and what was tried.

    Parameters
    ----------
    wanted_ohm : float
        Wanted resistance, above zero [ohm].
    stock_ohm : sequence of float
        Values at hand, at least one and all above zero [ohm].
    counts : mapping of float to float, optional
        How many there are of a value; of the others as many as needed.
    watts : float or mapping of float to float
        Rating of the parts, or of each value [W]; nan where not known.
    tolerance : float
        Of the stock parts [1].
    power_W : float
        Dissipation of the whole [W]; nan leaves power out.  No part is taken past its rating.
    most_parts : int, optional
        Up to `MIXED_PARTS` every network, above that equal parts alone.  Left out: 4, and as many equal ones
        as the power asks for; where these are no answer 5 of a small stock, then as many equal ones as it
        takes.
    each : int
        How many of each arrangement.

    Returns
    -------
    tuple of ResistorNetwork
        A single part that does comes first.  Then those that are an answer; of these those that keep the
        rule ``resistor_power``; of these the smallest error, in steps of a share of the tolerance (the rule
        ``resistor_step``); in a step the coolest of those that do not keep it, fewer parts, and where the
        power is known those that share it evenly.  The nearest first of those that are no answer.
    tuple of SearchBound
        For each count of parts the values tried, and whether no nearer network can have been missed.
    """
    ohm = np.unique(np.asarray(stock_ohm, float))
    count = np.array([(counts or {}).get(x, inf) for x in ohm.tolist()], float)
    rated = np.array([watts.get(x, nan) if isinstance(watts, Mapping) else watts for x in ohm.tolist()])
    share = rated / power_W
    share = np.where(np.isnan(share), inf, share)
    margin = rule("resistor_power")
    # a difference that the tolerance drowns does not decide
    step = max(tolerance * rule("resistor_step"), 1e-4)
    finite = share[np.isfinite(share)]
    asked = ceil(margin / finite.max() - 1e-9) if finite.size == share.size else 1  # parts by the rule
    few = min(most_parts or 4, MIXED_PARTS)
    equal = most_parts or (min(2 * asked, EQUAL_PARTS) if asked > few else few)
    trees, bounds = [], {}
    stocks = [_Stock(ohm, count, share / part) for part in ((margin, 1.0) if finite.size else (1.0,))]
    for stock in stocks:
        if most_parts is None or most_parts <= MIXED_PARTS:
            found, tried = _mixed(wanted_ohm, stock, few)
            trees += found
            bounds |= {one.parts: one for one in tried}
        if equal > MIXED_PARTS or not isnan(power_W):
            trees += _equal(wanted_ohm, stock, equal, step)

    def judged() -> list[ResistorNetwork]:
        return [network(*_written(tree), wanted_ohm, tolerance, power_W, watts)
                for tree in dict.fromkeys(map(_ordered, trees))]  # fmt: skip

    nets = judged()
    if most_parts is None and ohm.size <= _FEW_VALUES and not any(map(answers, nets)):
        for stock in stocks:  # five of a few values before dozens of one
            found, tried = _mixed(wanted_ohm, stock, MIXED_PARTS)
            trees += found
            bounds |= {one.parts: one for one in tried}
        nets = judged()
    if most_parts is None and not any(map(answers, nets)):
        for stock in stocks:
            trees += _equal(wanted_ohm, stock, EQUAL_PARTS, step)
        nets = judged()

    def rank(n: ResistorNetwork) -> tuple:
        even, off = round(max(n.power_shares), 2), abs(n.error)
        hottest = 0.0 if isnan(power_W) else even
        keeps = not n.used * margin > 1 + 1e-9
        does = len(n.parts_ohm) == 1 and off <= step
        order = (len(n.parts_ohm), hottest, round(off, 4), even, round(off, 12), n.arrangement, n.parts_ohm)
        if not answers(n):  # none is to be taken: the nearest is to be known
            return not does, True, round(off, 9), not keeps, *order
        # above the rule every degree counts, so that the cooler of two as near comes first
        return (not does, False, not keeps, round(off / step), 0.0 if keeps else round(n.used, 2), *order)

    ranked, kept, seen = sorted(nets, key=rank), [], {}
    nearest = min((round(abs(n.error), 12) for n in nets), default=nan)
    for n in ranked:
        seen[n.arrangement] = seen.get(n.arrangement, 0) + 1
        best = round(abs(n.error), 12) == nearest
        if seen[n.arrangement] <= each or best:
            kept.append(n)
            nearest = nan if best else nearest
    return tuple(kept), tuple(bounds.values())


def hindrances(
    wanted_ohm: float, stock_ohm: Sequence[float], *, counts: Mapping[float, float],
    watts: Mapping[float, float] | float, tolerance: float, power_W: float, most_parts: int | None,
) -> tuple[Hindrance, ...]:  # fmt: skip
    """Why no network answers: for each limit that was set, what would answer without it.

    The parameters are those of `combinations`.
    """
    given = {"counts": counts, "watts": watts, "most_parts": most_parts}
    rated = any(not isnan(w) for w in (watts.values() if isinstance(watts, Mapping) else (watts,)))
    found = []
    for kind, hinders, without in (
        ("rating", rated, {"watts": nan}), ("count", any(map(isfinite, counts.values())), {"counts": {}}),
        ("parts", most_parts is not None, {"most_parts": None}),
    ):  # fmt: skip
        nets = combinations(wanted_ohm, stock_ohm, tolerance=tolerance, power_W=power_W, each=1,
                            **given | without)[0] if hinders else ()  # fmt: skip
        if nets and answers(nets[0]):
            found.append(Hindrance(kind, nets[0]))
    return tuple(found)
