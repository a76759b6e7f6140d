"""Every convention of the verdicts of curves is a row of reference/rules.csv: an answer moves with it."""

from types import SimpleNamespace

import numpy as np
import pytest

from junction.shelf import tables as rules
from junction.verdict.curves import judge_curves
from tests.verdict.test_curves import POWER, SMALL, curves, table

_SPOILT = curves(be=1 / 3e8, offset=2e-8)
_AT_30V = [30.0] * 4, [0.15, 0.18, 0.2, 0.22], [0.0] * 4, [1e-3] * 4
_STEEP = [np.append(x, y) for x, y in zip(curves(ce=1e-9), _AT_30V, strict=True)]
CASES = {
    "small": lambda: table(curves(), _SPOILT),
    "power": lambda: table(curves(POWER, vces=(2.0, 4.0), top=0.4), type="2N3055"),
    "coarse": lambda: table(curves(vces=(5.0,), vbe=(0.3, 0.8, 21))),
    "unmarked": lambda: table(curves(SMALL | {"RE": 2.5}), curves(SMALL | {"BF": 22.0}), _STEEP, type=""),
    "breakdown": lambda: table(_STEEP),
    "inside": lambda: table(curves(SMALL | {"RE": 5.4}), type="BC547"),
    "driven": lambda: table([np.full(20, 5.0), np.linspace(0, 0.75, 20), np.zeros(20), np.full(20, 1e-10)]),
    "weak": lambda: table([np.full(20, 5.0), np.linspace(0, 0.75, 20), np.zeros(20),
                           np.append(1e-11 * np.arange(19) ** 1.5, 4e-7)]),
    "short": lambda: table([np.full(20, 1.0), np.full(20, 0.4), np.full(20, 0.15), np.full(20, 5e-8)]),
    "leak": lambda: table(curves(be=1e-6)),
    "power gain": lambda: table(curves(POWER | {"BF": 8.0}, vces=(2.0, 4.0), top=0.4), type="2N3055"),
    "built in": lambda: table(curves(POWER, vces=(2.0, 4.0), top=0.4, be=1 / 40), type=""),
    "Darlington": lambda: table(curves(SMALL | {"BF": 900.0, "ISE": 0.0, "IKF": 1.0}, be=1 / 1e7), type=""),
}  # fmt: skip
#: Rows by the case that shows them, each with the factor on its value.
SHOWN_BY = {
    "small": {"curves_own": 30, "curves_mismatch": 3, "curves_gain_u": 1.5,
              "curves_early_share": 0.3, "curves_offset_said": 10},
    "power": {"curves_own_share": 100},
    "coarse": {"curves_offset": 3, "curves_hidden": 1.5},
    "unmarked": {"curves_inside_drop": 0.1, "curves_gain_least": 1.5, "curves_least_rating": 0.3},
    "breakdown": {"curves_steep": 1e9, "curves_undriven": 0.5},
    "inside": {"curves_inside": 2},
    "driven": {"curves_drive_V": 1.3},
    "weak": {"curves_dead": 1.5},
    "leak": {"curves_leak_share": 4},
    "short": {"curves_no_junction": 0.8},
    "power gain": {"curves_gain_reach": 0.1},
    "built in": {"curves_built_in": 3},
    "Darlington": {"curves_darlington": 0.5},
}


def rows():
    """Rows of rules.csv that a case here shows."""
    return [name for found in SHOWN_BY.values() for name in found]


@pytest.mark.parametrize("case", SHOWN_BY)
def test_every_row_moves_an_answer(case, monkeypatch):
    given, held = CASES[case](), dict(rules.rules())
    before = repr(judge_curves(given))
    for name, factor in SHOWN_BY[case].items():
        with monkeypatch.context() as patch:
            patch.setattr(rules, "rules", lambda name=name, factor=factor: held | {
                name: SimpleNamespace(value=factor * held[name].value)})  # fmt: skip
            rules.rule.cache_clear()
            after = repr(judge_curves(given))
        rules.rule.cache_clear()
        assert after != before, f"nothing of {case!r} depends on {name}"
