"""Bars of model choice and intervals are rows of reference/rules.csv: change one, and an answer moves."""

from types import SimpleNamespace

import numpy as np

from junction.shelf import tables as rules
from junction.sweeps.derived import derived_values
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from tests.sheets import FAMILIES
from tests.simulate import roughen, simulate_sweeps

#: Each shows in one of these sweeps, with its value three tenths larger.
ROWS = (
    "fit_reading_weights",
    "fit_huber",
    "fit_unheld",
    "fit_curved",
    "fit_widest_level",
    "fit_main_current",
)
SWEEPS = (0, 5, 14, 26, 27, 29, 36, 49, 73, 77, 133)


def test_every_bar_moves_an_answer(monkeypatch):
    table = roughen(*simulate_sweeps(150, 31, FAMILIES), 32)
    table = table.keep(np.isin(np.arange(len(table)), SWEEPS))
    stated, values = Noise.from_accuracy(0.5, 1e-3, 2.0, 1e-7), dict(rules.rules())

    def answer(**changed):
        rows = values | {k: SimpleNamespace(value=v) for k, v in changed.items()}
        with monkeypatch.context() as patch:
            patch.setattr(rules, "rules", lambda: rows)
            rules.rule.cache_clear()
            fits = fit_sweeps(table, stated)
            shown = repr([fits.model, fits.runner_up, fits.evidence_gap, fits.value, fits.low, fits.high])
            with np.errstate(over="ignore"):
                shown += str(derived_values(table, fits))
        rules.rule.cache_clear()
        return shown

    usual = answer()
    still = [name for name in ROWS if answer(**{name: 1.3 * values[name].value}) == usual]
    assert not still
