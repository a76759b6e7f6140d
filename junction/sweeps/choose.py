"""Which model the data ask for: cheap tests for all sweeps, fits of the candidates for the few that fail.

A bag is mostly plain junctions.  For those, one evaluation at the minimum gives the score test (Rao 1948)
of a constant current and of a second exponential: the drop of chi2 a further term would bring, to first
order, without fitting it.  Only sweeps where a test is decisive, where the fit is poor, where wild points
stand out or where a straight line would do as well are fitted with the other sets of terms, under a loss
that wild points cannot rule (Huber, 3 standard uncertainties), and the least AICc wins.
"""

from __future__ import annotations

import numpy as np

from junction.shelf.tables import rule
from junction.sweeps import sense
from junction.sweeps.block import BROKEN, Block, breakdown, lines, rival_starts, total
from junction.sweeps.lsq import Solution
from junction.sweeps.sense import first_guess, highest, lowest
from junction.sweeps.terms import AR, BB, BR, CODE, I0, LINES, NAMES, SETS, A, B, G
from junction.sweeps.thin import thin

#: Sets that the data hold come to rest within some ten steps; those still wandering hold nothing.
ROBUST = dict(max_iterations=24, decrease_tol=1e-3)
SHORT = dict(max_iterations=4, decrease_tol=0.3)


def aicc(chi2, k, m):
    """Akaike's criterion for known variances with Hurvich and Tsai's small-sample term.

    ``chi2 + 2k + 2k(k+1)/(m-k-1)`` (Burnham and Anderson 2002, section 2.4); inf where m < k + 2.
    """
    room = np.asarray(m - k - 1, float)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(room > 0, chi2 + 2 * k + 2 * k * (k + 1) / room, np.inf)


def is_poor(block: Block, chi2, dof):
    """Whether chi2 is far above its degrees of freedom: 4 standard deviations, 6 where the noise was found.

    Found noise rests on the scatter of neighbours, whose own uncertainty widens the spread of chi2.
    """
    dof = np.maximum(dof, 1)
    bar = rule("fit_poor_found" if block.noise is None else "fit_poor_stated")
    return chi2 > dof + bar * np.sqrt(2 * dof)


def choose(block: Block, *, contest: bool = True) -> np.ndarray:
    """Settle the model of every sweep of the block and leave its fit in the block.

    Parameters
    ----------
    block : Block
        With its plain fits.
    contest : bool
        Fit the rivals where they are asked for; False only says where.

    Returns
    -------
    ndarray of bool (n,)
        Sweeps for which the plain junction is not, or was not, the whole story.
    """
    trouble, wild = _look(block)
    # sweeps that no current at all, or a straight line, fits about as well as the junction
    v, i, keep, w = block.v, block.i, block.keep, block.keep / block.ui2
    mean, limit = total(w, i) / np.maximum(w.sum(1), 1e-300), 2.0 * block.chi2 + 40.0
    line = (total(w * i, i) - mean * mean * w.sum(1) < limit) | ~np.isfinite(block.chi2)
    # unweighted, because the smallest currents have the smallest errors and say the least of a short
    for g in lines(v, i, keep):
        g = g[:, None]
        line |= total(keep, (i - g * v) ** 2 / (block.uv2 * g**2 + block.ui2)) < limit
    ask = trouble | line | _decisive(block).any(1)
    if not contest:
        return ask
    rows = np.flatnonzero(wild & ~line)
    if rows.size:  # does the plain junction fit without its wild points?  Undone where not
        before = block.take(rows)
        block.store("base", candidate(block, "base", rows), rows)
        _finish(block, rows)
        after = block.take(rows)
        still = trouble[rows] = _look(after)[0] | _decisive(after).any(1)
        after.put(still, before.take(still))
        block.put(rows, after)
    todo = trouble | line | _decisive(block).any(1)
    straight = todo & (line | ~np.isfinite(block.criterion.min(1)))
    trouble |= straight
    if straight.any():
        todo[_straight_lines(block, np.flatnonzero(straight))] = False
    rows = np.flatnonzero(todo)
    if rows.size:
        _contest(block, rows, trouble[rows])
    return ask


def _decisive(block: Block) -> np.ndarray:
    """Whether a constant term, and a second exponential, promise enough to be fitted; bool (n, 2)."""
    return block.promised > rule("fit_decisive")


def _look(block: Block):
    """Criterion and score tests of the plain fits; say which are in trouble, which only by wild points."""
    bar = rule("fit_wild") - 1
    n = len(block.v)
    size, many, reached = np.zeros(n), np.zeros(n, bool), np.zeros(n, bool)
    for name, rows in block.by_set():
        columns = SETS[name]
        problem, theta = block.problem(name, rows), block.theta[rows][:, columns]
        out = problem.evaluate(theta)
        residual = np.abs(out[:, -1])
        size[rows] = residual.max(1)
        many[rows] = (residual > bar).sum(1) > np.maximum(2, 0.05 * block.n_used[rows])
        second = np.exp(np.minimum(problem.x / (2 * problem.vt), 60.0)) - 1.0
        # scaled so that its square stays within doubles
        second /= (np.abs(second) * problem.keep).max(1, keepdims=True) + 1e-300
        second *= problem.weight
        covariance = block.covariance[rows][:, columns][:, :, columns]
        block.promised[rows, 0] = np.abs(_promise(problem.weight, out, covariance))
        block.promised[rows, 1] = np.maximum(_promise(second, out, covariance), 0.0)
        reached[rows] = problem.reaches(theta)
    lost = block.rank_deficient | ~reached
    criterion = aicc(block.chi2, block.number(block.code), block.n_used)
    block.criterion[np.arange(n), block.code] = np.where(lost, np.inf, criterion)
    poor = is_poor(block, block.chi2, block.dof)
    trouble = poor | lost | ~block.converged | (size > bar) | block.at_bound
    return trouble, (size > bar) & ~many & (block.code == CODE["base"])


def _promise(column, out, covariance):
    """Signed drop of chi2 if a term with this (weighted) column were added; sign is the term's own."""
    qr, qq = total(column, out[:, -1]), total(column, column)
    cross = np.matmul(out[:, :-1], column[:, :, None])[:, :, 0]
    left = qq - np.einsum("np,npq,nq->n", cross, covariance, cross)
    return np.where(left > 1e-9 * qq, np.sign(qr) * qr * qr / np.maximum(left, 1e-300), 0.0)


def candidate(block: Block, name: str, rows) -> Solution:
    """Robust fit of one set; the better of its starts."""
    tries, n = rival_starts(block.take(rows), name), len(rows)
    # all starts in one batch: what a step costs hardly depends on how many problems take it
    begin, sweep = np.concatenate(tries), np.tile(rows, len(tries))
    whole = name in LINES or BROKEN[CODE[name]]  # of the others a few steps show which start leads on
    fits = block.fit(name, begin, sweep, huber=rule("fit_huber"), **(ROBUST if whole else SHORT))
    lead = np.argmin(fits.chi2.reshape(-1, n), axis=0) * n + np.arange(n)
    if whole:
        return fits.take(lead)
    begin = np.where(np.isfinite(fits.theta), fits.theta, begin)[lead]
    return block.fit(name, begin, rows, huber=rule("fit_huber"), **ROBUST)


def _try(block: Block, name: str, rows) -> Solution:
    """Fit one rival and note its criterion, raised where it is no minimum the data hold.

    Full rank and every exponent resolved are asked for; without, a set wins only where all others are far
    off, and with its flag up.  No minimum at all, or one found off the curve, is out (inf).
    """
    fit, problem = candidate(block, name, rows), block.problem(name, rows)
    problem.evaluate(fit.theta[:, SETS[name]])
    reached = problem.reaches(fit.theta[:, SETS[name]])
    u = np.sqrt(np.maximum(np.einsum("nii->ni", fit.covariance), 0.0))
    faint = (fit.theta <= 3 * u)[:, [B, BR]].any(1)
    held = (fit.rank == len(SETS[name])) & ~fit.at_bound[:, [A, B, AR, BR]].any(1) & ~faint
    if name == "resistor + offset":  # an ammeter's offset is a small thing; a line far off zero is no path
        small = np.abs(fit.theta[:, I0]) < 0.2 * block.top[rows]
        reached &= small | (np.ptp(block.v[rows] * block.keep[rows], axis=1) < 0.05)
    chi2 = fit.chi2 + block.scatter_of(rows)
    score = aicc(chi2, block.number(CODE[name], rows), block.n_used[rows])
    score += np.where(reached & fit.converged, np.where(held, 0.0, rule("fit_unheld")), np.inf)
    block.criterion[rows, CODE[name]] = score
    return fit


def _fits_poorly(block: Block, name: str, rows, theta, number: int):
    """Whether plain chi2 is too high: the robust loss forgives a curve's few points above the noise."""
    chi2 = (block.residuals(name, rows, theta) ** 2).sum(1) + block.scatter_of(rows)
    return is_poor(block, chi2, block.n_used[rows] - number)


def _judge_again(block: Block, rows) -> None:
    """Criterion of the plain fits under the weights and the loss that their rivals are judged by."""
    for name, at in block.by_set(rows):
        size, far = np.abs(block.residuals(name, at)), rule("fit_huber")
        loss = np.where(size > far, far * (2 * size - far), size * size).sum(1) + block.scatter_of(at)
        old = block.criterion[at, CODE[name]]
        new = aicc(loss, block.number(CODE[name], at), block.n_used[at])
        block.criterion[at, CODE[name]] = np.where(np.isfinite(old), new, np.inf)


def _keep(block: Block, rows, winner, best) -> np.ndarray:
    """Make the winners among the rivals the fits of their sweeps; -1 is none.  Returns the sweeps settled.

    Parameters
    ----------
    block : Block
    rows, winner : ndarray of int
        Sweeps and their sets, by `CODE`.
    best : dict of str to (ndarray of int, Solution)
        Rivals that were fitted, and to which sweeps.
    """
    for name, (at, fit) in best.items():
        pick = winner[np.searchsorted(rows, at)] == CODE[name]
        block.store(name, fit.take(pick), at[pick])
    _finish(block, rows[winner >= 0])
    return rows[winner >= 0]


def _straight_lines(block: Block, rows):
    """Settle the sweeps that a straight line or no current at all explains; returns which."""
    # the weights of the plain junction must not judge its rivals: they come from the readings here
    block.weigh(rows, block.i[rows])
    faint = rows[block.code[rows] != CODE["reverse only"]]
    if any(block.found) and faint.size:
        # noise from the scatter about a line: the plain junction fitted to a sweep without a clear curve may
        # be anything, and so may the noise found with it
        block.guess_weights(faint)
        line = block.fit("resistor + offset", np.zeros(block.theta[faint].shape), faint)
        block.weigh_by_fit("resistor + offset", line.theta, faint)
    _judge_again(block, rows)
    best = {name: (rows, _try(block, name, rows)) for name in LINES}
    extra = rule("fit_path_over_open")
    scores = block.criterion[rows, : len(LINES)] + [0.0, extra, extra]
    winner, score = np.argmin(scores, axis=1), scores.min(1)
    curve = block.criterion[rows, len(LINES) :].min(1)
    poor = [_fits_poorly(block, name, rows, best[name][1].theta, 2) for name in LINES]
    settled = ~is_poor(block, score - extra, block.n_used[rows] - 2) & ~np.choose(winner, poor)
    settled &= score < curve + rule("fit_curve_over_line")
    v, i, keep = block.v[rows], block.i[rows], block.keep[rows]
    flat, steep = lines(v, i, keep)
    if block.noise is None:
        # the noise is that of the scatter about a line, and a coarse curve scatters about a line as well: so
        # the line must hold 85 % of the current, or all points lie within ten times the scatter of the
        # smallest, or within 5 mV of zero
        count, size = np.maximum(keep.sum(1), 1), np.max(np.abs(i) * keep, axis=1)
        straight = np.sqrt(total(keep, (i - flat[:, None] * v) ** 2) / count) < 0.15 * size
        # readings that move by whole steps of the converter: eight of them are still nothing
        change = np.abs(np.diff(i, axis=1))
        step = lowest(change, (change > 0) & (keep[:, 1:] * keep[:, :-1] > 0))
        floor = 10 * np.sqrt(first_guess(v, i, keep > 0)[:, 0])
        floor = np.maximum(floor, np.where(np.isfinite(step), 8 * step, 0.0))
        away = np.max(np.abs(i - (total(i, keep) / count)[:, None]) * keep, axis=1)
        settled &= straight | (away < floor) | (np.max(np.abs(v) * keep, axis=1) < 5e-3)
    # where the plain junction could not even be held, a line that leaves under 3 % (root mean square) of the
    # current or of the voltage, over both signs, is the answer, whatever chi2 says of an instrument's offsets
    both = (np.min(v * keep, axis=1) < 0) & (np.max(v * keep, axis=1) > 0)
    close = both & (flat > 0) & (1 - flat / steep < 9e-4)
    settled |= ~np.isfinite(curve) & close & (winner != CODE["open"])
    return _keep(block, rows, np.where(settled, winner, -1), best)


def _contest(block: Block, rows, hard) -> None:
    """Fit the rivals of the plain junction where they are worth it, and keep the best of all.

    On few points each where the plain fit came to rest: they say of a model what all points say.
    """
    block.weigh(rows, block.i[rows])
    calm = block.converged[rows] & ~block.rank_deficient[rows] & np.isfinite(block.criterion[rows].min(1))
    calm &= ~BROKEN[block.code[rows]] & ~_eligible(block, rows, hard, "breakdown")
    for name, at in block.by_set(rows):  # a point that stands off its neighbours must be seen alone
        loud = np.abs(np.diff(block.residuals(name, at), 2, axis=1)).max(1, initial=0.0)
        calm[np.searchsorted(rows, at)] &= loud < 2 * (rule("fit_wild") - 1)
    for at, hard_at, few in ((rows[calm], hard[calm], True), (rows[~calm], hard[~calm], False)):
        if not at.size:
            continue
        part = thin(block, at) if few else block.take(at)
        _judge_again(part, np.arange(at.size))
        best, winner = _likeliest(part)
        left = np.flatnonzero(winner < 0)
        # the others are fitted with every curve that may explain them better
        for name in NAMES:
            some = left[_eligible(block, at[left], hard_at[left], name)]
            some = some[~_beaten(part, name, some)]
            some = some[~np.isin(some, [k for done, _ in best.get(name, ()) for k in done])]
            if some.size:
                best.setdefault(name, []).append((some, _try(part, name, some)))
        scores = part.criterion[left]
        winner[left] = np.where(np.isfinite(scores.min(1)), np.argmin(scores, axis=1), -1)
        block.criterion[at] = part.criterion
        for name, fits in best.items():
            for some, fit in fits:
                pick = winner[some] == CODE[name]
                block.store(name, fit.take(pick), at[some[pick]])
        _finish(block, at[winner >= 0])


def _beaten(part: Block, name: str, rows):
    """Which sweeps a set of terms cannot win any more, by what was fitted before; bool (n,).

    A junction without its shunt (and series resistance) is the plain one with them at zero: it loses where
    the plain fit came to rest and its shunt stands off zero.  A third term is for what a second leaves poor.
    """
    if name in ("ideal", "bare"):
        g, u2 = part.theta[rows, G], part.covariance[rows, G, G]
        plain = (part.code[rows] == CODE["base"]) & np.isfinite(part.criterion[rows, CODE["base"]])
        return plain & (g * g > rule("fit_decisive") * u2)
    if name == "recombination + offset":
        score = part.criterion[rows][:, [CODE["offset"], CODE["recombination"]]].min(1)
        return ~is_poor(part, score, part.n_used[rows] - 6) & ~_decisive(part)[rows].all(1)
    return np.zeros(len(rows), bool)


def _likeliest(part: Block):
    """The one further term that the score test of a sweep clearly names, and whether it settles the matter.

    A bag of base-emitter junctions may need the second exponential in every one: the whole contest would
    fit a dozen sets to each to come to the same end.

    Returns
    -------
    best : dict of str to list of (ndarray of int, Solution)
        Rivals that were fitted, and to which sweeps.
    winner : ndarray of int
        Set that settles the sweep, by `CODE`; -1 is none.
    """
    base = part.criterion[:, CODE["base"]]
    plain = (part.code == CODE["base"]) & np.isfinite(base) & (part.n_used >= 12)
    offset, second = part.promised.T
    best, winner = {}, np.full(len(base), -1)
    for name, mine, other in (("offset", offset, second), ("recombination", second, offset)):
        at = np.flatnonzero(plain & (mine > rule("fit_decisive")) & (mine > other + 4.0))
        if at.size:
            fit = _try(part, name, at)
            good = ~_fits_poorly(part, name, at, fit.theta, len(SETS[name]))
            good &= part.criterion[at, CODE[name]] < part.criterion[at, CODE["base"]]
            best[name], winner[at] = [(at, fit)], np.where(good, CODE[name], -1)
    return best, winner


def _eligible(block: Block, rows, hard, name):
    """Which of the sweeps a set of terms is worth fitting to; `hard` marks those in trouble."""
    if name in LINES:
        return hard & ~np.isfinite(block.criterion[rows, CODE[name]])
    offset, second = _decisive(block)[rows].T
    either, both = offset | second, offset & second
    asked = {"offset": either, "recombination": either, "recombination + offset": both}.get(name, False)
    # noise that is itself found from the points needs more of them than parameters explain
    least = max(len(SETS[name]) + 2 + (name == "offset" and block.noise is None), 5)
    least = {"recombination": 10, "recombination + offset": 12}.get(name, least)
    wanted = (hard | asked) & (block.n_used[rows] >= least)
    if BB in SETS[name]:
        v, live = block.v[rows], block.live[rows]
        wanted = wanted & (lowest(v, live, 0.0) < -1.0)
        if "reverse" in name:
            wanted = wanted & (highest(v, live, 0.0) < rule("fit_forward_V"))
        if "bare" in name:
            wanted = wanted & (block.n_used[rows] < 8)
        if wanted.any():
            wanted[wanted] = breakdown(block.take(rows[wanted]), 1.2)[2]
    return wanted


def _finish(block: Block, rows) -> None:
    """Least squares for the chosen sets: weights renewed, wild points left out, again until none is left.

    The first look for wild points is at the robust fit: least squares would bend towards them and make
    their neighbours look wild as well.
    """
    for again in range(3):
        fitted = []
        for name, at in block.by_set(rows):
            if not again or block.noise is None:
                block.weigh_by_fit(name, block.theta[at], at)
            dropped = _drop_wild(block, name, at)
            at = at[dropped] if again else at
            if at.size:
                block.store(name, block.fit(name, block.theta[at], at), at)
                fitted.append(at)
        if not fitted:
            return
        rows = np.sort(np.concatenate(fitted))


def _drop_wild(block: Block, name: str, rows):
    """Take wild points out of sweeps, unless there are too many to call them so; returns where, bool."""
    residual, live = block.residuals(name, rows), block.live[rows]
    outside, residual = sense.beyond(residual, live, rule("fit_wild")), np.abs(residual)
    # nor is the foot of a branch that was laid through its last points
    outside |= block.laid[rows, None] & (block.v[rows] < 0) & (np.cumsum(live, axis=1) <= 4)
    spread = np.maximum(1.4826 * np.nanmedian(np.where(live, residual, np.nan), axis=1), 1.0)[:, None]
    bar = rule("fit_wild") * spread
    wild = live & (residual > bar)
    if not wild.any():
        return np.zeros(len(rows), bool)
    # a wild point stands alone, or with one other, among points that fit; a run of misses is a misfit
    m = wild.shape[1]
    beside, loud = (np.pad(a, ((0, 0), (2, 2))) for a in (wild, ~(residual < 0.6 * bar)))
    for k in (0, 1, 3, 4):
        wild = wild & (beside[:, k : k + m] | ~loud[:, k : k + m])
    near = sum(beside[:, k : k + m].astype(int) for k in (0, 1, 3, 4))
    wild &= near <= 1
    count, kept = wild.sum(1), live.sum(1)
    act = (count > 0) & (count <= np.maximum(1, rule("fit_wild_share") * kept))
    act &= kept - count >= len(SETS[name]) + 2
    block.keep[rows[act]] *= ~wild[act]
    # breakdown, or another law: not the curve's, and not wild either
    block.beyond[rows[act]] |= (wild & outside)[act]
    block.outliers[rows[act]] |= (wild & ~outside)[act].any(1)
    return act


def name_runner_up(part: Block) -> None:
    """Best rival of the chosen model and how much worse its AICc is: fitted, or promised by a score test.

    -1 is none, -2 the same with or without the shunt, by the shunt estimate itself.
    """
    used, row = part.n_used, np.arange(part.chi2.size)
    scores, base = part.criterion.copy(), part.code == CODE["base"]
    plain = base | (part.code == CODE["bare"])
    for name, promise in zip(("offset", "recombination"), part.promised.T, strict=True):
        promised, k = aicc(part.chi2 - promise, len(SETS[name]), used), CODE[name]
        scores[:, k] = np.where(plain & ~np.isfinite(scores[:, k]), promised, scores[:, k])
    own = part.criterion[row, part.code]  # by the weights its rivals were judged by
    u = np.sqrt(part.covariance[:, G, G])
    z2 = np.where(u > 0, (part.theta[:, G] / u) ** 2, np.inf)
    without = np.where(base, aicc(part.chi2 + z2, len(SETS["base"]) - 1, used), np.inf)
    scores[row, part.code] = np.inf
    rival = np.argmin(scores, axis=1)
    best = scores[row, rival]
    shunt_is_rival = np.abs(without) < best
    part.runner_up = np.where(shunt_is_rival, -2, np.where(np.isfinite(best), rival, -1))
    part.gap = np.where(shunt_is_rival, np.abs(without - own), best - np.minimum(own, without))


def fit_few(block: Block, rows) -> None:
    """Two to four points: a straight line through zero or nothing, else no model."""
    part = block.take(rows)
    start, w = np.zeros(part.theta.shape), part.keep / part.ui2
    start[:, G] = total(w * part.v, part.i) / np.maximum(total(w * part.v, part.v), 1e-300)
    line, none = part.fit("resistor", start), part.fit("open", start)
    part.store("open", none)
    better = line.chi2 + 4 < none.chi2
    part.store("resistor", line.take(better), better)
    part.reason[part.chi2 > 9.0 * np.maximum(part.n_used - 1, 1) + 9] = 4
    block.put(rows, part)
