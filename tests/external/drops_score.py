"""Stages of `drops_bench` as junction judges them, and how often it is right."""

from __future__ import annotations

import csv
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from junction.amplifier.findings import diagnose_drops
from junction.amplifier.results import DropReport
from junction.amplifier.sharing import ABSENT, Devices
from junction.amplifier.stage import StageAsk, plan_stage
from tests.external.drops_bench import AT_ONE, OF_METER, VT

#: First causes that name each fault: what the drops cannot tell apart is one cause with one sentence
RIGHT = {
    "r_high": {"value"}, "r_wrong": {"value"}, "r_open": {"open"}, "r_short": {"shorted"},
    "dead": {"off", "dead", "dead alone"}, "stopper": {"unlike"}, "joint": {"unlike"}, "mismatch": {"unlike"},
    "warm": {"unlike"}, "leak": {"unlike"}, "bypassed": {"bypassed", "dead alone"},
    "no_supply": {"dead", "dead alone", "bias low"}, "bias_low": {"bias low"}, "bias_high": {"bias high"},
    "oscillates": {"bias high"}, "offset": {"apart"}, "lead_zero": {"misread"}, "lead_base": {"misread"},
    "lead_across": {"misread"}, "swapped": {"exchanged"},
}  # fmt: skip
#: Reasons that say it of a whole rail, or of the stage
_ALL = ("drop_dead", "drop_rail")
#: Verdicts that blame something of a position, and the faults each is right for
FIRM = {
    "not conducting": {"dead", "stopper", "joint"},
    "no drop": {"dead", "r_short", "lead_zero", "stopper", "joint"},
    "resistor shorted": {"r_short"}, "resistor open": {"r_open", "lead_base"},
    "resistor out of value": {"r_high", "r_wrong", "r_open"},
    "unlike part": {"stopper", "joint", "mismatch", "warm", "leak", "swapped"},
}  # fmt: skip
_SIDES = ("upper rail", "lower rail")


@dataclass
class Case:
    """A row of the table, and the answer."""

    row: dict
    report: DropReport
    read: np.ndarray
    amps: np.ndarray  # (2, n)

    @property
    def faults(self) -> dict[int, str]:
        """What is wrong at which position."""
        names = self.row["fault"].split("+")
        if names[0] in ("swapped", *OF_METER):
            names = [names[0]] * len(self.row["at"].split())
        return dict(zip(map(int, self.row["at"].split()), names, strict=False)) if names[0] in (
            *AT_ONE, *OF_METER, "swapped") else {}  # fmt: skip

    @property
    def single(self) -> bool:
        return "+" not in self.row["fault"] and self.row["fault"] != "none"

    def __str__(self) -> str:
        d = " ".join(f"{x:g}" for x in self.read)
        return (f"{self.row['seed']} {self.row['fault']} at {self.row['at']}, {self.row['parallel']} of "
                f"{self.row['wanted_mV']} mV, known {self.row['known']}: {d}")  # fmt: skip


def judged(row: dict) -> Case:
    """Judge one row."""
    n, both = int(row["parallel"]), row["both"] == "1"
    numbers = {name: np.array([float(x) for x in row[name].split()]) for name in
               ("read_mV", "mA", "told_is", "told_bf", "told_re")}  # fmt: skip
    count = 2 * n if both else n
    stage = plan_stage(StageAsk(
        supply_V=float(row["supply_V"]), vce_V=float(row["supply_V"]), peak_A=4.0, parallel=n, temp_C=25.0,
        re_ohm=(float(row["re_ohm"]),), rb_ohm=(float(row["rb_ohm"]),),
        idle_A=n * float(row["wanted_mV"]) / 1000 / float(row["re_ohm"]),
    ))  # fmt: skip
    devices = drawn = None
    if row["known"] == "1":
        rest = {name: np.asarray(value) for name, value in ABSENT.items()}
        rest |= {"BF": numbers["told_bf"][:count], "RE": numbers["told_re"][:count]}
        i_s = numbers["told_is"][:count]
        spread = np.exp(np.random.default_rng(1).normal(0, 0.0006, (300, count)) / VT)
        devices, drawn = Devices({**rest, "IS": i_s}), Devices({**rest, "IS": i_s * spread})
    read = numbers["read_mV"][:count]
    report = diagnose_drops(stage, tuple(read / 1000), devices, drawn, accuracy=(0.005, 1e-4))
    return Case(row, report, read, numbers["mA"].reshape(2, n) / 1000)


def cases(path: Path) -> list[Case]:
    """All rows of a table, judged."""
    with path.open() as file:
        return [judged(row) for row in csv.DictReader(line for line in file if not line.startswith("#"))]


def first(c: Case) -> tuple[str, str]:
    """First cause, and where."""
    r = c.report
    if not r.causes:
        return ("", "")
    return r.causes[0].quantity, r.causes[0].where


def named_first(c: Case) -> bool:
    """The first cause is the true one and stands at the true place."""
    word, where = first(c)
    fault, n, at = c.row["fault"], int(c.row["parallel"]), int(c.row["at"].split()[0])
    if n == 1 and fault in ("stopper", "joint", "mismatch", "warm", "leak"):
        # one device a rail and no other beside it: the sentence of the bias names the device as well
        return word in ("bias low", "bias high", "unlike")
    here = c.row["both"] == "0" or where.startswith(_SIDES[at if fault == "bypassed" else at // n])
    if word == "unlike two":  # that the two of a rail differ, and not which of them is the odd one
        return "unlike" in RIGHT[fault] and here
    if word not in RIGHT[fault]:
        return False
    if word in ("bypassed", "exchanged"):
        return here
    return not c.faults or (word.startswith("dead") and n == 1) or where in [
        c.report.drops[k].where for k in c.faults]  # fmt: skip


def firm(c: Case) -> dict[int, str]:
    """What is said for sure of positions.

    Not of a device that is said not to conduct and indeed has no current: its neighbour took it, which the
    sentence names.
    """
    n = c.amps.shape[1]
    return {
        k: v.verdict for k, v in enumerate(c.report.drops)
        if v.verdict in FIRM and v.reason not in _ALL
        and not (n == 2 and v.verdict in ("not conducting", "no drop")
                 and c.amps.ravel()[k] < 0.02 * c.amps[k // n].sum())
    }  # fmt: skip


def condemned(c: Case) -> list[str]:
    """Healthy positions that are blamed: anything but as predicted, undecided, and a rail as a whole."""
    if c.row["fault"] in ("bypassed", "no_supply"):
        return []
    sound = {k: v for k, v in firm(c).items() if k not in c.faults or c.faults[k] in OF_METER}
    return [f"{v} at {k}" for k, v in sound.items() if c.faults.get(k) not in FIRM[v]]


def firmly_wrong(c: Case) -> list[str]:
    """What is said for sure and is not so."""
    wrong = condemned(c)
    wrong += [f"{v} at {k}" for k, v in firm(c).items() if k in c.faults and c.faults[k] not in FIRM[v]]
    wanted = float(c.row["wanted_mV"]) / 1000 / float(c.row["re_ohm"])
    ratio = c.amps.mean(axis=1) / wanted
    low, high = {"too high": (1.15, np.inf), "too low": (0, 0.85), "as predicted": (0.75, 1.25)}.get(
        c.report.bias, (0, np.inf))  # fmt: skip
    if not any(low <= x <= high for x in ratio):
        wrong.append(f"bias {c.report.bias} of {ratio}")
    gross = {"r_open", "r_short", "dead", "bypassed", "no_supply", "bias_low"}
    if gross & set(c.row["fault"].split("+")) and c.report.overall == "as predicted":
        wrong.append("as predicted")
    return wrong


def figures(found: list[Case]) -> dict:
    """The measured figures."""
    single, sound = [c for c in found if c.single], [c for c in found if c.row["fault"] == "none"]
    by = Counter(c.row["fault"] for c in single if not named_first(c))
    return {
        "stages": len(found), "condemned": [(str(c), x) for c in found if (x := condemned(c))],
        "named": 1 - sum(by.values()) / len(single), "missed": dict(by),
        "firm": sum(bool(firm(c)) for c in found),
        "wrong": [(str(c), x) for c in found if (x := firmly_wrong(c))],
        "sound passed": float(np.mean([c.report.overall == "as predicted" for c in sound])),
    }  # fmt: skip
