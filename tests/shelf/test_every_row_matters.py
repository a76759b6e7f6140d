"""Every row of every table under reference/ matters: changed, it changes the answer of a public function.

A table is changed in memory, one row at a time (see `tests.shelf.reference`), and the cases that read it are
run again.  The rows of the transistor fits are held by tests/transistor/test_rules.py.
"""

import json
from functools import cache

import numpy as np

import junction
from junction.base.errors import JunctionError
from junction.base.records import Bag, SweepTable
from junction.shelf import rules
from tests.shelf.reference import forget

SOUND = ["B-E=0.642", "E-B=OL", "B-C=0.636", "C-B=OL", "C-E=OL", "E-C=OL"]
THREE = ["1-2=0.6", "2-1=OL", "1-3=0.61", "3-1=OL", "2-3=OL", "3-2=OL"]


def told(*results):
    """All that results say: the JSON, and the text for people."""
    found = []
    for result in results:
        body = result.to_dict()
        body.pop("made", None)
        found += [json.dumps(body, sort_keys=True), result.text(everything=True)]
    return "\n".join(found)


def sweep(is_A=1e-14, n=1.0, rs_ohm=0.0, shunt_ohm=np.inf, top_A=1e-2, temp_C=25.0, type_="", noise=0.0):
    """A bag with one simulated sweep of a junction."""
    i = np.geomspace(1e-7, top_A, 60)
    v = n * 8.617333e-5 * (temp_C + 273.15) * np.log1p(i / is_A)
    if np.isfinite(shunt_ohm):
        i = i + v / shunt_ohm
    v = v + rs_ohm * i + noise * np.random.default_rng(1).standard_normal(i.size)
    v, i = np.append(-5.0, v), np.append(-5.0 / min(shunt_ohm, 1e12) - is_A, i)
    table = SweepTable.from_lists(["A"], ["AK"], [v], [i], temp_C=[temp_C], type=[type_])
    return Bag(sweeps=table, rows_read=i.size, rows_used=i.size)


STAGE = {"power": "80W", "load": "8ohm", "supply": "42V", "parallel": 2, "emitter_resistor": "0.22ohm"}
CASES = {
    "sort": lambda: junction.sort(sweep(), plots=0),
    "stage": lambda: junction.stage(**STAGE, type="MJ15003,MJ15004"),
    "substitute": lambda: junction.substitute("2N3055", "MJ15003", "TIP3055"),
    "resistor": lambda: junction.resistor("100ohm", reading="131ohm"),
    "check": lambda: junction.check(SOUND),
    "three": lambda: junction.check(THREE),
    "drops": lambda: junction.stage(**STAGE, idle_drop="20mV", measured_drops="19.5mV,21.2mV,40.4mV,0.1mV"),
}  # fmt: skip
FACTORS = (1.3, 0.7, 1000, 0.001, -1)


@cache
def before():
    """Answers as they are, the rules that each case reads, and how long it takes."""
    import time

    found = {}
    for name, case in CASES.items():
        forget()
        read, true = set(), rules.rules

        class Seen(dict):
            def __getitem__(self, key):
                read.add(key)
                return true()[key]

        rules.rules = Seen
        start = time.perf_counter()
        try:
            answer = told(case())
        finally:
            rules.rules = true
        found[name] = answer, read, time.perf_counter() - start
    forget()
    return found


def search():
    from tests.shelf.reference import changed, read

    base = before()
    for name, (_, seen, took) in base.items():
        print(f"{name:12} {took:.3f} s reads {len(seen)}")
    _, heading, table = read("rules")
    shown = {}
    for k, row in enumerate(table):
        rule, value = row[0], float(row[1])
        cases = [name for name, (_, seen, _) in base.items() if rule in seen]
        for name in cases:
            for factor in FACTORS:
                with changed("rules", k, {"value": repr(factor * value)}):
                    try:
                        after = told(CASES[name]())
                    except JunctionError:
                        after = "refused"
                    except Exception as error:
                        print("!", rule, name, factor, repr(error)[:80])
                        continue
                if after != base[name][0]:
                    shown[rule] = name, factor
                    break
            if rule in shown:
                break
        else:
            print("NOT", rule, cases)
    return shown


if __name__ == "__main__":
    search()
