"""Bars of model choice and intervals are rows of reference/rules.csv: change one, and an answer moves."""

from types import SimpleNamespace

import numpy as np

from junction.shelf import tables as rules
from junction.sweeps.derived import derived_values
from junction.sweeps.sense import Noise
from junction.sweeps.sweeps import fit_sweeps
from tests.sheets import FAMILIES
from tests.simulate import roughen, simulate_sweeps

#: Each shows in these sweeps with its value so many times as large; where a model wins or loses by it, in
#: several, as another processor's last digits choose otherwise in one.
ROWS = {
    "fit_reading_weights": 1.3,
    "fit_huber": 1.3,
    "fit_unheld": 1.3,  # 33, 61, 108
    "fit_curved": 1.3,  # 40, 84, 137
    "fit_widest_level": 0.5,  # 33, 45, 119
    "fit_main_current": 1.3,
}
SWEEPS = (0, 5, 14, 33, 40, 45, 61, 84, 108, 119, 121, 137)


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
    still = [name for name, by in ROWS.items() if answer(**{name: by * values[name].value}) == usual]
    assert not still
