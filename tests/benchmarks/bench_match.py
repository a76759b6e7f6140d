"""Matching at size, against its budgets: run `python -m tests.benchmarks.bench_match` (about a minute).

Budgets: best pairs of 200 parts proven optimal under 2 s; sets of four from 48 with the gap stated;
3,000 parts in pairs under 20 s, costs, proof, 95 % intervals and grades included.
"""

import time

from junction.amplifier.stage import StageAsk, plan_stage
from junction.sets.match import match_parts
from tests.sets.bags import fits_of, true_values

CASES = (("pairs of 200", 200, 2, 2.0), ("fours of 48", 48, 4, 30.0), ("pairs of 3,000", 3000, 2, 20.0))


def main() -> None:
    """Print seconds, budget and proven gap of each case."""
    ask = dict(power_W=80.0, load_ohm=8.0, supply_V=42.0, re_ohm=(0.22,))
    match_parts(fits_of(true_values(6, 1)), plan_stage(StageAsk(parallel=2, **ask)), draws=10)
    for name, n, k, budget in CASES:
        fits = fits_of(true_values(n, 5), seed=6)
        stage = plan_stage(StageAsk(parallel=k, **ask))
        start = time.perf_counter()
        result = match_parts(fits, stage)
        took = time.perf_counter() - start
        print(f"{name:<16} {took:6.2f} s of {budget:g} s   gap {100 * result.optimality_gap:.3g} %")


if __name__ == "__main__":
    main()
