"""Some 200 simulated stages with and without a fault: nothing wrong is claimed, and what is wrong is listed.

The simulation (`drop_cases`) shares nothing with junction: Shockley's law, Ohm's law and a bias voltage.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from junction.amplifier.findings import diagnose_drops
from junction.amplifier.results import DropReport, DropVerdict
from junction.amplifier.sharing import ABSENT, Devices
from junction.amplifier.stage import StageAsk, plan_stage
from tests.amplifier.drop_cases import FAULTS, TOLD_V, VT, Case, case

COUNT = 23 * len(FAULTS)
#: verdicts that name each fault, and what an undecided one has to say of it
NAMES = {
    "R +30 %": ({"resistor out of value"}, "out of value"),
    "R doubled": ({"resistor out of value"}, "out of value"),
    "R open": ({"resistor open"}, "open"),
    "R shorted": ({"resistor shorted", "no drop"}, "resistor is shorted"),
    "device open": ({"not conducting", "no drop"}, "does not conduct"),
}


@dataclass(frozen=True)
class Answer:
    case: Case
    report: DropReport

    @property
    def at(self) -> DropVerdict:
        """Verdict where the fault is."""
        return self.report.drops[self.case.rail * self.case.parallel + self.case.position]

    def faulty(self, index: int) -> bool:
        return self.case.fault in NAMES and index == self.case.rail * self.case.parallel + self.case.position

    def __str__(self) -> str:
        return f"{self.case.fault}: {np.round(1000 * self.case.drops_V, 1).tolist()}, {self.report.bias_text}"


def answer(c: Case) -> Answer:
    n = c.parallel
    stage = plan_stage(
        StageAsk(vce_V=42.0, peak_A=4.0, parallel=n, re_ohm=(c.re_ohm,), idle_A=c.wanted_A, temp_C=25.0)
    )
    drops = c.drops_V if c.both else c.drops_V[:1]
    devices = drawn = None
    if c.known:
        told = c.told_i_s[: len(drops)].ravel()
        spread = np.exp(np.random.default_rng(1).normal(0, TOLD_V, (300, told.size)) / VT)
        rest = {name: np.asarray(value) for name, value in ABSENT.items()} | {"BF": np.asarray(1e9)}
        devices, drawn = Devices({**rest, "IS": told}), Devices({**rest, "IS": told * spread})
    report = diagnose_drops(stage, tuple(drops.ravel()), devices, drawn, accuracy=(0.005, 1e-4))
    return Answer(c, report)


@pytest.fixture(scope="module")
def answers():
    return [answer(case(seed)) for seed in range(COUNT)]


def share_of(flags) -> float:
    flags = list(flags)
    return sum(flags) / len(flags)


def test_the_rail_current_lies_within_its_interval(answers):
    missed = [a for a in answers if not a.report.bias_ratio.low <= a.case.ratio <= a.report.bias_ratio.high]
    assert len(missed) <= 0.05 * COUNT, "\n".join(map(str, missed))


def test_no_current_is_claimed_outside_its_interval(answers):
    """Each device's own current, at 95 %."""
    held = [
        v.current_A.low <= true + 1e-9 and true <= v.current_A.high + 1e-9
        for a in answers
        for v, true in zip(a.report.drops, a.case.current.ravel(), strict=False)
        if v.current_A is not None
    ]
    assert share_of(held) >= 0.95


def test_no_fault_is_named_that_is_not_there(answers):
    """A decision at 95 % may err now and then; not once in a hundred positions is asked here."""
    wrong = []
    for a in answers:
        for k, v in enumerate(a.report.drops):
            if v.verdict in ("as predicted", "undecided"):
                continue
            right = a.faulty(k) and v.verdict in NAMES[a.case.fault][0]
            # nothing flows: said of every device, whichever of those in series is open
            right |= v.verdict == "not conducting" and a.case.current.ravel()[k] < 0.02 * a.case.wanted_A
            if not right:
                wrong.append(f"{v.verdict} at {v.where}: {a}")
    assert len(wrong) <= 0.01 * sum(len(a.report.drops) for a in answers), "\n".join(wrong)


def test_the_bias_is_never_judged_wrong(answers):
    wrong = []
    for a in answers:
        low, high = {"too high": (1.2, np.inf), "too low": (0, 0.8), "as predicted": (0.8, 1.2)}.get(
            a.report.bias, (0, np.inf)
        )
        if not low <= a.case.ratio <= high:
            wrong.append(a)
    assert not wrong, "\n".join(map(str, wrong))


def test_the_fault_is_named_or_among_what_it_may_be(answers):
    missed = []
    for a in answers:
        if a.case.fault not in NAMES:
            continue
        names, phrase = NAMES[a.case.fault]
        v = a.at
        listed = v.verdict in names or (v.verdict == "undecided" and phrase in v.says())
        if v.verdict == "as predicted":  # what these drops cannot see is said
            true = a.case.resistor[a.case.rail, a.case.position]
            listed |= v.resistor_ohm.low <= true <= v.resistor_ohm.high
        listed |= v.verdict == "not conducting" and a.case.ratio < 0.02 and "in series is open" in v.says()
        if not listed:
            missed.append(f"{v.verdict}: {v.says()} {a}")
    assert len(missed) <= 0.05 * sum(a.case.fault in NAMES for a in answers), "\n".join(missed)


def test_gross_faults_are_never_passed_over(answers):
    """Open and shorted resistors and dead devices: never all well."""
    gross = [a for a in answers if a.case.fault in ("R open", "R shorted", "device open")]
    assert all(a.report.overall not in ("as predicted", "bias") for a in gross)
    assert share_of(a.report.overall == "fault" for a in gross) > 0.8


def test_bias_that_is_off_is_seen(answers):
    for fault, word in (("bias high", "too high"), ("bias low", "too low")):
        seen = [a.report.bias == word for a in answers if a.case.fault == fault and a.case.parallel > 1]
        assert share_of(seen) > 0.6, fault


def test_exchanged_parts_are_named(answers):
    said = [any("each other's place" in s for s in a.report.swaps) for a in answers
            if a.case.fault == "exchanged"]  # fmt: skip
    assert share_of(said) >= 0.95


def test_the_bias_is_never_turned_up_beside_a_suspect(answers):
    for a in answers:
        words = {v.verdict for v in a.report.drops}
        if words - {"as predicted"}:
            assert a.report.bias in ("too high", "undecided") or words == {"not conducting"}, str(a)
            assert not any(say in a.report.bias_text for say in ("as predicted", "bias too low")), str(a)


def test_most_sound_stages_pass(answers):
    sound = [a for a in answers if a.case.fault == "none" and (a.case.both or a.case.parallel > 1)]
    assert share_of(a.report.overall == "as predicted" for a in sound) > 0.6
    assert not any(a.report.overall == "fault" for a in sound)
