"""Which model the data ask for: cheap tests for all sweeps, fits of the candidates for the few that fail.

A bag is mostly plain junctions.  For those, one evaluation at the minimum gives the score test (Rao 1948)
of a constant current and of a second exponential: the drop of chi2 a further term would bring, to first
order, without fitting it.  Only sweeps where a test is decisive, where the fit is poor, where wild points
stand out or where a straight line would do as well are fitted with the other sets of terms, under a loss
that wild points cannot rule (Huber, 3 standard uncertainties), and the least AICc wins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from junction.fit.engine import FINAL, Block, fit_set, give, problem_of, set_weights, store, take
from junction.fit.models import CODE, NAMES, NUMBER, aicc, columns_of, is_poor
from junction.fit.noise import first_guess
from junction.fit.rivals import LINES, candidate, handicap, line_weights, neutral_weights
from junction.fit.starts import breakdown, lowest_chord

#: Drop of chi2 that makes a further term worth fitting: 0.3 % chance each for a sweep that lacks it.
DECISIVE = 9.0
#: |residual| that makes a point wild [standard uncertainties]; 1 in 5e8 of a normal distribution.
WILD = 6.0
#: A curve must beat a straight line that fits by this much in AICc: its shapes are many, chance finds one.
CURVE_OVER_LINE = 10.0
#: A path must beat no current at all by this much: noise alone must not make one.
PATH_OVER_OPEN = 6.0


@dataclass(eq=False)
class Choice:
    """Evidence per sweep of the block: criterion of every set tried (inf where not) and the score tests."""

    criterion: np.ndarray  # (n, len(NAMES))
    drop_offset: np.ndarray  # (n,) fall of chi2 promised by a constant term
    drop_recombination: np.ndarray  # (n,) the same for a second exponential (0 where it would be negative)
    wild: np.ndarray  # (n,) bool: points were left out


def _score(block: Block):
    """Residuals at the minimum of the plain sets and the promise of two further terms."""
    n, m = block.v.shape
    size, offset, second, reached = np.zeros(n), np.zeros(n), np.zeros(n), np.zeros(n, bool)
    many = np.zeros(n, bool)
    for name in ("base", "breakdown", "bare", "reverse only"):
        index = np.flatnonzero(block.code == CODE[name])
        if not index.size:
            continue
        whole = index.size == n
        problem = problem_of(block, name, None if whole else index)
        theta = block.theta[index][:, list(columns_of(name))]
        out = problem.evaluate(theta)
        residual = out[:, -1]
        size[index] = np.abs(residual).max(1)
        large = (np.abs(residual) > WILD - 1).sum(1)
        many[index] = large > np.maximum(2, 0.05 * block.n_used[index])
        covariance = block.covariance[index][:, columns_of(name)][:, :, columns_of(name)]
        x, weight, work = problem.work[0], problem.work[4], problem.work[3]
        offset[index] = np.abs(_promise(weight, out, covariance))
        np.divide(x, 2 * problem.vt, out=work)
        np.minimum(work, 60.0, out=work)
        np.exp(work, out=work)
        work -= 1.0
        # scaled so that its square stays within doubles
        work /= np.max(np.abs(work) * problem.keep, axis=1, keepdims=True) + 1e-300
        work *= weight
        second[index] = np.maximum(_promise(work, out, covariance), 0.0)
        reached[index] = problem.reaches(theta, out)
    return size, many, offset, second, reached


def _promise(column, out, covariance):
    """Signed drop of chi2 if a term with this (weighted) column were added; sign is the term's own."""
    qr = np.einsum("nm,nm->n", column, out[:, -1])
    cross = np.matmul(out[:, :-1], column[:, :, None])[:, :, 0]
    qq = np.einsum("nm,nm->n", column, column)
    left = qq - np.einsum("np,npq,nq->n", cross, covariance, cross)
    return np.where(left > 1e-9 * qq, np.sign(qr) * qr * qr / np.maximum(left, 1e-300), 0.0)


def _line_like(block: Block) -> np.ndarray:
    """Sweeps that a straight line, or no current at all, fits about as well as the junction."""
    v, i, keep = block.v, block.i, block.keep
    w = keep / block.ui2
    wi = w * i
    mean = wi.sum(1) / np.maximum(w.sum(1), 1e-300)
    limit = 2.0 * block.chi2 + 40.0
    like = (np.einsum("nm,nm->n", wi, i) - mean * mean * w.sum(1) < limit) | ~np.isfinite(block.chi2)
    # slope with all the error in the current, and with all of it in the voltage; unweighted, because the
    # smallest currents have the smallest errors and say the least of a short
    np.multiply(keep, i, out=wi)
    svi, sii = np.einsum("nm,nm->n", wi, v), np.einsum("nm,nm->n", wi, i)
    svv = np.einsum("nm,nm,nm->n", keep, v, v)
    for g in (svi / np.maximum(svv, 1e-300), sii / np.where(np.abs(svi) > 1e-300, svi, 1e300)):
        np.multiply(block.uv2, (g * g)[:, None], out=w)
        w += block.ui2
        np.multiply(v, -g[:, None], out=wi)
        wi += i
        wi *= wi
        wi /= w
        wi *= keep
        like |= wi.sum(1) < limit
    return like


def choose(block: Block, *, contest: bool = True):
    """Settle the model of every sweep of the block and leave its fit in the block.

    Parameters
    ----------
    block : Block
        With its plain fits.
    contest : bool
        Fit the rivals where they are asked for; False only says where.

    Returns
    -------
    choice : Choice
    ask : ndarray of bool (n,)
        Sweeps for which the plain junction is not, or was not, the whole story.
    """
    n = block.chi2.size
    choice = Choice(np.full((n, len(NAMES)), np.inf), np.zeros(n), np.zeros(n), np.zeros(n, bool))
    trouble, wild = _look(block, choice, np.arange(n))
    line = _line_like(block)
    ask = trouble | line | (choice.drop_offset > DECISIVE) | (choice.drop_recombination > DECISIVE)
    if not contest:
        return choice, ask
    outlying = np.flatnonzero(wild & ~line)
    if outlying.size:
        trouble[outlying] = _without_wild(block, choice, outlying)
    index = np.flatnonzero(
        trouble | line | (choice.drop_offset > DECISIVE) | (choice.drop_recombination > DECISIVE)
    )
    if index.size:
        lost = ~np.isfinite(choice.criterion[index].min(1))
        straight = index[line[index] | lost]
        index = index[~np.isin(index, _straight_lines(block, choice, straight))]
        trouble[straight] = True
    if index.size:
        index = index[~np.isin(index, _likeliest(block, choice, index))]
    if index.size:
        _contest(block, choice, index, trouble)
    return choice, ask


def _without_wild(block: Block, choice: Choice, rows):
    """Try whether leaving out isolated wild points makes the plain junction fit; undo it where not.

    Returns
    -------
    ndarray of bool
        Still in trouble.
    """
    before = take(block, rows)
    store(block, "base", candidate(block, block.theta.copy(), "base", rows), rows)
    _finish(block, choice, rows)
    trouble = _look(block, choice, rows)[0]
    trouble |= (choice.drop_offset[rows] > DECISIVE) | (choice.drop_recombination[rows] > DECISIVE)
    undo = np.flatnonzero(trouble)
    if undo.size:
        give(block, rows[undo], take(before, undo))
        choice.wild[rows[undo]] = False
        _look(block, choice, rows[undo])
    return trouble


def _look(block: Block, choice: Choice, rows):
    """Fill in criterion and score tests of the fits as they stand; say which are in trouble, which wild."""
    whole = rows.size == block.chi2.size
    part = block if whole else take(block, rows)
    size, many, offset, second, reached = _score(part)
    choice.drop_offset[rows], choice.drop_recombination[rows] = offset, second
    used, code = part.n_used, part.code
    lost = part.rank_short | ~reached
    choice.criterion[rows, code] = np.where(lost, np.inf, aicc(part.chi2, NUMBER[code], used))
    poor = is_poor(part.chi2, used - NUMBER[code], block.noise is not None)
    wild = (size > WILD - 1) & ~many & (code == CODE["base"])
    return poor | lost | ~part.converged | (size > WILD - 1) | part.at_bound, wild


def _try(block: Block, choice: Choice, starting, name: str, rows):
    """Fit one rival and note its criterion."""
    solution = candidate(block, starting, name, rows)
    score = aicc(solution.chi2, NUMBER[CODE[name]], block.n_used[rows])
    choice.criterion[rows, CODE[name]] = score + handicap(block, name, solution, rows)
    return solution


def _judge_again(block: Block, choice: Choice, rows) -> None:
    """Criterion of the plain fits under the weights their rivals are judged by."""
    for name in ("base", "breakdown", "bare", "reverse only"):
        at = rows[block.code[rows] == CODE[name]]
        if at.size:
            r = problem_of(block, name, at).evaluate(block.theta[at][:, list(columns_of(name))])[:, -1]
            size = np.abs(r)
            loss = np.where(size > 3.0, 6.0 * size - 9.0, size * size).sum(1)
            old = choice.criterion[at, CODE[name]]
            new = aicc(loss, NUMBER[CODE[name]], block.n_used[at])
            choice.criterion[at, CODE[name]] = np.where(np.isfinite(old), new, np.inf)


def _straight_lines(block: Block, choice: Choice, rows):
    """Settle the sweeps that a straight line or no current at all explains; returns which."""
    if not rows.size:
        return rows
    starting = block.theta.copy()
    neutral_weights(block, rows)
    line_weights(block, rows[block.code[rows] != CODE["reverse only"]])
    _judge_again(block, choice, rows)
    best = {name: _try(block, choice, starting, name, rows) for name in LINES}
    scores = choice.criterion[rows][:, [CODE[name] for name in LINES]] + [0.0, PATH_OVER_OPEN, PATH_OVER_OPEN]
    winner, lowest = np.argmin(scores, axis=1), scores.min(1)
    curve = choice.criterion[rows][:, [CODE[n] for n in NAMES if n not in LINES]].min(1)
    adequate = ~is_poor(lowest - PATH_OVER_OPEN, block.n_used[rows] - 2, block.noise is not None)
    settled = adequate & (lowest < curve + CURVE_OVER_LINE)
    if block.noise is None:
        settled &= _looks_straight(block, rows)
    plain = ~np.isfinite(curve) & _nearly_all(block, rows)
    for k, name in enumerate(LINES):
        # the robust loss forgives a curve's few points above the noise; plain chi2 does not
        r = problem_of(block, name, rows).evaluate(best[name].theta)[:, -1]
        poor = is_poor((r * r).sum(1), block.n_used[rows] - 2, block.noise is not None)
        settled &= ~((winner == k) & poor)
        settled |= plain & (winner == k) & (name != "open")
        pick = settled & (winner == k)
        if pick.any():
            store(block, name, best[name], rows, pick)
    _finish(block, choice, rows[settled])
    return rows[settled]


def _nearly_all(block: Block, rows):
    """Lines that leave under 3 % (root mean square) of the current or of the voltage, over both signs.

    Where the plain junction could not even be held, such a line is the answer, whatever chi2 says of an
    instrument's own offsets.
    """
    v, i, keep = block.v[rows], block.i[rows], block.keep[rows]
    svv, sii, svi = (np.einsum("nm,nm,nm->n", keep, a, b) for a, b in ((v, v), (i, i), (v, i)))
    both = (np.min(v * keep, axis=1) < 0) & (np.max(v * keep, axis=1) > 0)
    # 1 - r^2 is the share of either square that the line leaves
    left = 1 - svi * svi / np.maximum(svv * sii, 1e-300)
    return both & (left < 9e-4) & (svi > 0)


def _looks_straight(block: Block, rows):
    """Plain look at the points, for sweeps whose noise was taken from their scatter about a line.

    A coarse curve scatters about a line as well; so the line must hold 85 % of the current, or all points
    lie within ten times the scatter of the smallest, or within 5 mV of zero.
    """
    v, i, keep = block.v[rows], block.i[rows], block.keep[rows]
    count = np.maximum(keep.sum(1), 1)
    top = np.max(np.abs(i) * keep, axis=1)
    g = np.einsum("nm,nm,nm->n", keep, v, i) / np.maximum(np.einsum("nm,nm,nm->n", keep, v, v), 1e-300)
    rms = np.sqrt(np.einsum("nm,nm->n", keep, (i - g[:, None] * v) ** 2) / count)
    mean = (i * keep).sum(1) / count
    floor = np.sqrt(first_guess(v, i, keep)[:, 0])
    # readings that move by whole steps of the converter: eight of them are still nothing
    change = np.abs(np.diff(i, axis=1))
    step = np.min(np.where((change > 0) & (keep[:, 1:] * keep[:, :-1] > 0), change, np.inf), axis=1)
    floor = np.maximum(10 * floor, np.where(np.isfinite(step), 8 * step, 0.0))
    within = np.max(np.abs(i - mean[:, None]) * keep, axis=1) < floor
    return (rms < 0.15 * top) | within | (np.max(np.abs(v) * keep, axis=1) < 5e-3)


def _likeliest(block: Block, choice: Choice, index):
    """Settle the sweeps that one further term explains, the one its score test clearly names.

    A bag of base-emitter junctions may need the second exponential in every one: the whole contest would
    fit a dozen sets to each to come to the same end.  Returns which are settled.
    """
    offset, second = choice.drop_offset[index], choice.drop_recombination[index]
    plain = (block.code[index] == CODE["base"]) & np.isfinite(choice.criterion[index, CODE["base"]])
    plain &= block.n_used[index] >= 12
    settled = []
    for name, mine, other in (("offset", offset, second), ("recombination", second, offset)):
        rows = index[plain & (mine > DECISIVE) & (mine > other + 4.0)]
        if not rows.size:
            continue
        neutral_weights(block, rows)
        _judge_again(block, choice, rows)
        solution = _try(block, choice, block.theta.copy(), name, rows)
        r = problem_of(block, name, rows).evaluate(solution.theta)[:, -1]
        poor = is_poor((r * r).sum(1), block.n_used[rows] - NUMBER[CODE[name]], block.noise is not None)
        good = ~poor & (choice.criterion[rows, CODE[name]] < choice.criterion[rows, CODE["base"]])
        store(block, name, solution, rows, good)
        _finish(block, choice, rows[good])
        settled.append(rows[good])
    return np.concatenate(settled) if settled else np.empty(0, np.int64)


def _contest(block: Block, choice: Choice, index, trouble) -> None:
    """Fit the curves that may explain the sweeps in `index` better; keep the best."""
    starting = block.theta.copy()
    neutral_weights(block, index)
    _judge_again(block, choice, index)
    best = {}
    for name in NAMES:
        rows = index[_eligible(block, choice, index, trouble, name)]
        if rows.size:
            best[name] = (rows, _try(block, choice, starting, name, rows))
    scores = choice.criterion[index]
    finite = np.isfinite(scores.min(1))
    winner = np.argmin(scores, axis=1)
    for name, (at, solution) in best.items():
        place = np.searchsorted(index, at)
        pick = (winner[place] == CODE[name]) & finite[place]
        if pick.any():
            store(block, name, solution, at, pick)
    _finish(block, choice, index[finite])


def _eligible(block: Block, choice: Choice, index, trouble, name):
    """Which of the sweeps a set of terms is worth fitting to."""
    used, reverse = block.n_used[index], np.min(np.where(block.keep > 0, block.v, 0.0), axis=1)[index]
    forward = np.max(np.where(block.keep > 0, block.v, 0.0), axis=1)[index]
    enough = used >= NUMBER[CODE[name]] + 2
    hard = trouble[index]
    if name in LINES:
        return hard & ~np.isfinite(choice.criterion[index, CODE[name]])
    if name in ("ideal", "bare", "base"):
        return enough & (used >= 5) & hard
    offset, second = choice.drop_offset[index] > DECISIVE, choice.drop_recombination[index] > DECISIVE
    if name == "offset":
        # noise that is itself found from the points needs more of them than parameters explain
        enough &= (block.noise is not None) | (used >= NUMBER[CODE[name]] + 3)
        return enough & (hard | offset | second)
    if name == "recombination":
        return enough & (hard | second | offset) & (used >= 10)
    if name == "recombination + offset":
        return enough & (hard | (second & offset)) & (used >= 12)
    if name == "reverse only":
        return enough & (reverse < -1.0) & (forward < 0.25) & hard
    worth = enough & (reverse < -1.0) & hard
    if worth.any():
        rows = index[worth]
        v, i, keep, ui2, vt = (a[rows] for a in (block.v, block.i, block.keep, block.ui2, block.vt))
        uv2 = np.broadcast_to(block.uv2, block.v.shape)[rows]
        worth[worth] = breakdown(v, i, keep, uv2, ui2, vt, lowest_chord(v, i, keep, ui2, vt))[3]
    return worth


def _finish(block: Block, choice: Choice, index) -> None:
    """Least squares for the chosen sets: weights renewed, wild points left out, again until none is left.

    The first look for wild points is at the robust fit: least squares would bend towards them and make
    their neighbours look wild as well.
    """
    for round_ in range(3):
        again = []
        for name in NAMES:
            at = index[block.code[index] == CODE[name]]
            if not at.size:
                continue
            if round_ == 0 or block.noise is None:
                set_weights(block, name, block.theta[at][:, list(columns_of(name))], at)
            dropped = _drop_wild(block, choice, name, at)
            if round_ > 0:
                at = at[dropped]
            if at.size:
                store(block, name, fit_set(block, name, block.theta[at], at, FINAL), at)
                again.append(at)
        if not again:
            return
        index = np.sort(np.concatenate(again))


def _drop_wild(block: Block, choice: Choice, name: str, at):
    """Take wild points out of the sweeps `at`, unless there are too many to call them so."""
    residual = np.abs(problem_of(block, name, at).evaluate(block.theta[at][:, list(columns_of(name))])[:, -1])
    live = block.keep[at] > 0
    spread = np.maximum(1.4826 * np.nanmedian(np.where(live, residual, np.nan), axis=1), 1.0)[:, None]
    wild = live & (residual > WILD * spread)
    if not wild.any():
        return np.zeros(at.size, bool)
    # a wild point stands alone, or with one other, among points that fit; a run of misses is a misfit
    near = np.zeros(wild.shape, np.int64)
    calm = np.ones(wild.shape, bool)
    for shift in (-2, -1, 1, 2):
        there = np.roll(wild, shift, axis=1)
        other = np.roll(residual, shift, axis=1)
        edge = np.zeros(wild.shape[1], bool)
        edge[shift if shift < 0 else 0 : None if shift < 0 else shift] = True
        near += there & ~edge
        calm &= there | edge | (other < 0.6 * WILD * spread)
    wild &= calm & (near <= 1)
    count = wild.sum(1)
    allowed = np.maximum(1, 0.1 * live.sum(1))
    room = live.sum(1) - count >= NUMBER[CODE[name]] + 2
    act = (count > 0) & (count <= allowed) & room
    block.keep[at[act]] *= ~wild[act]
    choice.wild[at[act]] = True
    return act
