"""Parts of every kind on a repair bench, read by simulated meters: outside truth for the judge of readings.

Source of truth: ngspice (a general circuit simulator) with devices drawn in `bench_devices`, which share
nothing with `junction`; a copy of the part for every two-lead placement, the other leads floating.  What the
meter's own errors make of the voltages is drawn here.  All parts are invented.

    python -m tests.external.bench_parts renew     draws and solves all parts, writes data/bench_parts.csv.gz
    python -m tests.external.bench_parts report    judges the frozen parts, prints a table by class
    python -m tests.external.bench_parts report 7  the same of other parts, drawn with seed 7: unseen ones
"""

import csv
import gzip
import io
import re
import subprocess
import sys
import tempfile
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import permutations
from math import nan
from pathlib import Path

import numpy as np

from junction.base.records import PartReadings, Reading
from tests.external.bench_devices import (
    BIPOLAR,
    DIODES,
    Net,
    draw_board,
    draw_faults,
    make,
    with_board,
    with_faults,
)

DATA = Path(__file__).parent / "data" / "bench_parts.csv.gz"
SEED = 20261128
COLUMNS = ("part", "kind", "faults", "meter", "temp_C", "in_circuit", "lifted", "discharged", "leads",
           "readings", "truth")  # fmt: skip
#: The meters by a short name: the row of reference/meters.csv that a technician would say, and its share.
METERS = {"1mA": ("handheld, 1 mA", 0.3), "0.5mA": ("handheld, 0.5 mA", 0.2),
          "2.3k": ("handheld, source behind resistance", 0.25), "needle ohm": ("analog, ohms x100", 0.15),
          "needle volt": ("analog, ohms x100", 0.1)}  # fmt: skip

# ------------------------------------------------------------------------------------------ meters, ngspice


@dataclass
class Instrument:
    """One meter with its own errors: within 1 % and 3 counts, its current within what such meters spread."""

    name: str
    amps: float  # [A], nan where a voltage stands behind a resistance
    volts: float  # of its open leads [V]
    ohm: float  # behind which they stand [ohm]
    over_V: float
    gain: float
    offset: float

    def netlist(self, n):
        if self.ohm:
            return [f"vs{n} s{n} 0 {self.volts:.6g}", f"rs{n} s{n} m{n} {self.ohm:.6g}"]
        return [f"bs{n} 0 m{n} i={self.amps:.6g}*tanh(({self.volts:.6g}-v(m{n}))/0.05)"]


def instrument(rng, name):
    """A meter of a kind, drawn."""
    gain, offset = rng.uniform(-0.01, 0.01), rng.uniform(-2, 2)
    if name.endswith("mA"):
        amps = 1e-3 * rng.uniform(0.8, 1.2) if name == "1mA" else 5e-4 * rng.uniform(0.76, 1.24)
        return Instrument(name, amps, rng.uniform(2.85, 3.2), 0, 2.0, gain, offset)
    volts, ohm = rng.uniform(0.97, 1.03), rng.uniform(0.95, 1.05)
    if name == "2.3k":
        return Instrument(name, nan, 2.8 * volts, 2300 * ohm, 1.999, gain, offset)
    # set to zero with its leads joined; the scale itself is within 2 % of its length
    return Instrument(name, nan, 1.5 * volts, 2000 * ohm, 1.5, 1.5 * gain, 0)


def shown(rng, meter, volts):
    """What a technician writes down."""
    if meter.name.startswith("needle"):
        along = 1 - volts / meter.volts  # the needle's way, 1 with the leads joined
        along += meter.gain * (1 - abs(2 * along - 1)) + rng.uniform(-0.008, 0.008)
        if along < 0.012:
            return "OL"  # it does not visibly move
        if meter.name == "needle volt":
            return f"{max(1.5 * (1 - along), 0):.2f}"
        ohm = 2000 * (1 - along) / along
        return "0ohm" if ohm < 8 else f"{float(f'{ohm:.2g}'):g}ohm"
    value = volts * (1 + meter.gain) + 1e-3 * (meter.offset * (volts > 0.003) + rng.uniform(-1, 1))
    return "OL" if round(value, 3) >= meter.over_V else f"{max(value, 0):.3f}"


#: Settings of the solver, tried in turn on a part that does not converge.
SETTINGS = ("reltol=1e-4 abstol=1e-11", "gmin=1e-11", "gmin=1e-11 noopiter", "gmin=1e-10 abstol=1e-9")


def deck(net, meter, setting):
    """Text of one deck: a copy of the part for every placement, the black lead on node 0."""
    lines = ["a part of a repair bench (invented)"]
    lines += [f".model x{k} {kind} ({text})" for k, (kind, text) in enumerate(net.models)]
    places = list(permutations(net.leads, 2))
    for n, (red, black) in enumerate(places):
        node = {red: f"m{n}", black: "0"}
        for k, (letter, nodes, rest) in enumerate(net.elements):
            ends = " ".join(node.setdefault(x, f"n{n}_{len(node)}") for x in nodes)
            rest = f"{net.gate_V[n]:.5g}" if rest == "$gate$" else re.sub(r"@(\d+)@", r"x\1", rest)
            lines.append(f"{letter}{n}_{k} {ends} {rest}")
        lines += meter.netlist(n)
    saved = " ".join(f"v(m{n})" for n in range(len(places)))
    lines += [f".options rshunt=1e12 itl1=200 noacct {setting}", ".op", f".save {saved}", ".end"]
    return "\n".join(lines) + "\n"


def solve(job):
    """True voltage of every placement of a (net, meter), by ngspice."""
    for setting in SETTINGS:
        with tempfile.TemporaryDirectory() as folder:
            Path(folder, "deck.cir").write_text(deck(*job, setting))
            run = subprocess.run(["ngspice", "-b", "-r", "out.raw", "deck.cir"], cwd=folder,
                                 capture_output=True, text=True, check=False)  # fmt: skip
            raw = Path(folder, "out.raw")
            head, _, body = raw.read_bytes().partition(b"Binary:\n") if raw.exists() else (b"", b"", b"")
        names = re.findall(rb"^\t\d+\t(\S+)\t", head, re.M)
        values = np.frombuffer(body[: 8 * len(names)])
        if len(names) == len(values) > 0 and np.isfinite(values).all():
            found = dict(zip(names, values.tolist(), strict=True))
            return [found[b"v(m%d)" % n] for n in range(len(found))]
    raise RuntimeError(f"ngspice cannot solve {job[0]}: {run.stdout[-800:]} {run.stderr[-800:]}")


# ---------------------------------------------------------------------------------------------- the parts

#: Kinds that must be decided where they are sound.
ORDINARY = ("silicon small", "silicon power", "rectifier", "switching", "Schottky", "LED red", "LED green")
STYLES = ("sound", "short", "open", "leak", "two", "in circuit")
#: How many of a kind are sound, shorted, open, leaky, with two faults, in circuit.
COUNTS = """
silicon small          160 60 60 80 60 90
silicon power          160 60 60 80 60 90
germanium small        100 25 25 25 10 10
germanium power         60 15 15 15 10  0
Darlington              70 15 15 20 10 10
Darlington resistors    90 25 20 25 15 20
damper                  90 20 15 25 10 20
base resistor          130 12  0 12  0 20
MOSFET discharged      100  0  0  0  0 20
MOSFET charged         100  0  0  0  0  0
MOSFET by meter         60  0  0  0  0  0
JFET                    80  0  0  0  0 10
thyristor sensitive     70  0  0  0  0 10
thyristor               70  0  0  0  0 10
triac                   80  0  0  0  0 10
regulator              160  0  0  0  0 10
dual cathode silicon    40  8  8  8  6  0
dual cathode Schottky   40  8  8  8  6  0
dual anode silicon      40  8  8  8  6  0
dual anode Schottky     25  4  4  4  2  0
dual series silicon     40  8  8  8  6  0
dual series Schottky    25  4  4  4  2  0
bridge                  60 15 15 15  8  0
optocoupler             60 12 12 12  0  0
rectifier               70 25 25 35  0 40
switching               70 25 25 35  0 40
Schottky                80 20 20 25  0 15
germanium diode         70 12 12 12  0  5
LED infrared            40  6  6  6  0  0
LED red                 50  6  6  6  0  5
LED yellow              30  4  4  4  0  0
LED green               50  6  6  6  0  5
LED blue or white       80  6  6  6  0  5
Zener under 3 V         40  5  5  5  0  0
Zener                   60 10 10 15  0 10
resistor               120  0  0  0  0  0
short of three leads    40  0  0  0  0  0
"""
COUNTS = {line[:22].strip(): tuple(map(int, line[22:].split())) for line in COUNTS.strip().splitlines()}


#: Faulty parts of a class that were judged right before other kinds of part were thought of (1e2886f).
FOUND_BEFORE = {
    "silicon small: short": 53, "silicon small: open": 39, "silicon small: leak": 44,
    "silicon small: two": 55, "silicon power: short": 39, "silicon power: open": 43,
    "silicon power: leak": 52, "silicon power: two": 53, "germanium small: faulty": 75,
    "germanium power: faulty": 41, "Darlington: faulty": 52, "Darlington resistors: faulty": 69,
    "damper: faulty": 40, "dual diode: faulty": 77, "rectifier: faulty": 63,
    "switching: faulty": 65, "Schottky: faulty": 52, "germanium diode: faulty": 33,
    "LED: faulty": 65, "Zener: faulty": 41,
}  # fmt: skip


def plan():
    """Kind and style of every part, in a fixed order."""
    return [(kind, style) for kind, counts in COUNTS.items() for style, n in zip(STYLES, counts, strict=True)
            for _ in range(n)]  # fmt: skip


@dataclass
class Drawn:
    """A drawn part before it is read."""

    seed: int
    index: int
    kind: str
    meter: Instrument
    temp_C: float
    temp_said: bool
    faults: list
    paths: list
    nets: dict  # leads lifted, and whether all were shorted together before: the net
    twin: Net  # the same part without its faults, free
    names: dict  # of its leads, as the technician calls them


def draw(index, kind, style, seed=SEED):
    """Part number `index` of the plan."""
    rng = np.random.default_rng([seed, index])
    meter = instrument(rng, str(rng.choice(list(METERS), p=[share for _, share in METERS.values()])))
    said = rng.random() < 0.5  # who says no temperature works at about room temperature
    temp = float(np.round(rng.uniform(0, 60) if said else rng.uniform(16, 30)))
    twin = make(rng, kind, temp, meter.volts)
    inner = style
    if style == "in circuit":
        inner = str(rng.choice(["sound", "short", "open", "leak"], p=[0.55, 0.2, 0.1, 0.15]))
        inner = inner if kind in BIPOLAR or kind in DIODES else "sound"
    faults = draw_faults(rng, twin, kind, inner)
    net = with_faults(twin, faults)
    paths = draw_board(rng, net) if style == "in circuit" else []
    leads = net.leads
    if len(leads) != 3 or (net.named and rng.random() < (0.5 if kind in BIPOLAR else 0.25)):
        names = dict(zip(leads, net.named, strict=True))
    else:
        names = {lead: str(k + 1) for lead, k in zip(leads, rng.permutation(3), strict=True)}
    nets = {((), False): with_board(net, paths)}
    if paths:
        nets |= {(lifted, False): with_board(net, paths, lifted)
                 for lifted in (*((x,) for x in leads), tuple(leads))}  # fmt: skip
    if any(net.gate_V):
        nets[(), True] = replace(net, gate_V=(0.0,) * 6)
    return Drawn(seed, index, kind, meter, temp, said, faults, paths, nets, twin, names)


def accepted(d, sound, faulty):
    """Verdicts that are right, from what is wrong and whether this meter can show it at all.

    ``sound`` and ``faulty`` are the true voltages of the free part without and with its faults.  Faults that
    move no reading by over 50 mV and a tenth, nor by half, are not for diode mode to show: good is right too.
    Under 50 ohm a path is a short; 30 to 70 ohm may be called either.
    """
    if d.kind == "short of three leads":
        return {"shorted"}
    if d.kind == "resistor":  # taken for a part: as a short it is one
        return {"good", "shorted"} if float(d.twin.elements[0][2]) < 70 else {"good"}
    right = set()
    for _, what, ohm in d.faults:
        if what == "open":
            right.add("open")
        else:
            right |= {word for word, holds in (("shorted", ohm < 70), ("leaky", ohm > 25)) if holds}
    limit = d.meter.over_V * 0.97
    for a, b in zip(sound, faulty, strict=True):
        a, b = sorted((min(a, limit), min(b, limit)))
        if b - a > max(0.05, 0.1 * b) or (b - a > 0.005 and b > 1.5 * a):
            return right
    return right | {"good"}


def rows_of(d, truth, volts):
    """Rows of the frozen table for one part: as it stands, with leads lifted, with its gate discharged."""
    rng = np.random.default_rng([d.seed, 1, d.index])
    places = list(permutations(d.twin.leads, 2))
    words = [f"{d.names[where]} open" if what == "open" else
             f"{'-'.join(d.names[x] for x in where)} {what} {ohm:.3g} ohm"
             for where, what, ohm in d.faults]  # fmt: skip
    if d.paths:
        words = [*words, *(f"board {d.names[a]}-{d.names[b]} " + (f"{ohm:.3g} ohm" if ohm else "junction")
                           for a, b, ohm, *_ in d.paths)]  # fmt: skip
    names = ["-".join(d.names[x] for x in place) for place in places]
    for (lifted, discharged), read in zip(d.nets, volts, strict=True):
        typed = {name: shown(rng, d.meter, v) for name, v in zip(names, read, strict=True)}
        yield {"part": f"P{d.index:04}", "kind": d.kind, "faults": "; ".join(words), "meter": d.meter.name,
               "temp_C": f"{d.temp_C:g}" if d.temp_said else "", "in_circuit": "yes" if d.paths else "",
               "lifted": " ".join(d.names[x] for x in lifted), "discharged": "yes" if discharged else "",
               "leads": " ".join(f"{name}={x}" for x, name in sorted(d.names.items(), key=lambda p: p[1])),
               "readings": " ".join(f"{name}={typed[name]}" for name in sorted(names)),
               "truth": "|".join(sorted(truth))}  # fmt: skip


def simulate(drawn):
    """Rows of drawn parts, solved by ngspice, a deck a part."""
    jobs = []
    for d in drawn:
        jobs += [(net, d.meter) for net in d.nets.values()]
        jobs += [(d.twin, d.meter), (with_faults(d.twin, d.faults), d.meter)] if d.faults else []
    with ThreadPoolExecutor(2) as pool:
        volts = pool.map(solve, jobs)
        rows = []
        for d in drawn:
            read = [next(volts) for _ in d.nets]
            truth = accepted(d, next(volts), next(volts)) if d.faults else accepted(d, (), ())
            rows += rows_of(d, truth, read)
    return rows


def bag(seed=SEED):
    """Rows of all parts of the plan, drawn and solved."""
    return simulate([draw(k, *what, seed) for k, what in enumerate(plan())])


def renew():
    """Write the frozen table anew."""
    text = io.StringIO()
    text.write("# Parts of a repair bench, invented, read in ngspice: tests/external/bench_parts.py\n")
    out = csv.DictWriter(text, COLUMNS, lineterminator="\n")
    out.writeheader()
    out.writerows(bag())
    DATA.write_bytes(gzip.compress(text.getvalue().encode(), 9, mtime=0))


def frozen():
    """Rows of the frozen table."""
    return list(csv.DictReader(gzip.decompress(DATA.read_bytes()).decode().splitlines()[1:]))


# ------------------------------------------------------------------------------------------------ judging


def readings_of(row):
    """What was typed of a part, as the intake would hand it on."""
    found = []
    for place, text in (item.split("=") for item in row["readings"].split()):
        kind = "over" if text == "OL" else "ohm" if text.endswith("ohm") else "volt"
        found.append(Reading(place, kind, nan if kind == "over" else float(text.removesuffix("ohm"))))
    return PartReadings(row["part"], tuple(found), temp_C=float(row["temp_C"] or "nan"),
                        in_circuit=bool(row["in_circuit"]), lifted=tuple(row["lifted"].split()),
                        discharged=bool(row["discharged"]))  # fmt: skip


def judged(rows):
    """Verdict of every row, in groups by meter; an exception stands in place of a verdict."""
    from junction.leads.verdict import judge_readings
    from junction.shelf.tables import meters

    out = [None] * len(rows)
    for name, (meter, _) in METERS.items():
        which = [k for k, row in enumerate(rows) if row["meter"] == name]
        parts = [readings_of(rows[k]) for k in which]
        try:
            found = list(judge_readings(parts, meters()[meter]))
        except Exception:  # one bad part must not hide the rest: one at a time
            found = []
            for part in parts:
                try:
                    found += judge_readings([part], meters()[meter])
                except Exception as error:
                    found.append(error)
        for k, v in zip(which, found, strict=True):
            out[k] = v
    return out


def quality(faults):
    """Verdict that faults amount to."""
    words = [fault.split()[-1] for fault in faults]
    return next((word for word in ("shorted", "open", "leaky") if word in words), "" if faults else "good")


def listed(row, v):
    """Whether the truth is among what a verdict names, leading or as an alternative."""
    return any(quality(x.faults) in row["truth"].split("|") for x in (v, *v.alternatives))


def outcome(row, v):
    """What a verdict is worth: right, undecided, wrong, doubtful or crash.

    Wrong is a verdict against the truth with over 95 %, the truth not among the alternatives; doubtful is one
    that leaves the truth open.
    """
    if isinstance(v, Exception):
        return "crash"
    if v.verdict == "undecided":
        return "undecided"
    if v.verdict in row["truth"].split("|"):
        return "right"
    return "doubtful" if v.probability[v.verdict] <= 0.95 or listed(row, v) else "wrong"


def klass(row):
    """Class of a part: its kind with what is wrong, rarer ones together."""
    kind, words = row["kind"], row["faults"]
    if row["in_circuit"]:
        return f"{'ordinary' if kind in ORDINARY else 'other'}, in circuit"
    shows = {x.split("=")[1] for x in row["readings"].split()}
    needle = row["meter"].startswith("needle") and kind != "LED infrared"  # 1.5 V
    if kind.startswith("LED") and not words and (shows == {"OL"} or needle):
        return "LED that the meter cannot light"
    style = "two" if ";" in words else next((w for w in STYLES[1:4] if w in words), "sound")
    if style != "sound" and sum(COUNTS[kind][1:5]) < 100:
        style = "faulty"
    if style == "faulty" or kind.startswith("dual"):
        kind = {"dual": "dual diode", "LED": "LED", "Zener": "Zener"}.get(kind.split()[0], kind)
    return f"{kind}: {style}"


def lead_to_lift(v, names):
    """Lead that the next step says to lift, '' where it names none."""
    match = re.search(r"[Ll]ift (?:the )?(?:leads? )?([\w~+-]+)", v.next)
    return match[1] if match and match[1] in names else ""


def after_lifting(every, rows, verdicts):
    """In circuit, what comes of lifting the lead that is named, then a second: (leads lifted, row, verdict).

    A part stays where it is decided, where no lead is named, and where all its paths are cut.
    """
    read = defaultdict(dict)
    for row in every:
        if row["in_circuit"]:
            read[row["part"]][frozenset(row["lifted"].split())] = row
    going = [(row, v) for row, v in zip(rows, verdicts, strict=True) if row["in_circuit"]]
    for step in range(3):
        on = []
        for row, v in going:
            names = [x.split("=")[0] for x in row["leads"].split()]
            named = {lead_to_lift(v, names)} if outcome(row, v) == "undecided" else set()
            lifted = {*row["lifted"].split(), *named} - {""}
            if len(lifted) == step + 1 and step < 2:  # of three leads two lifted free the part
                on.append(read[row["part"]][frozenset(lifted if len(lifted) < 2 else names)])
            else:
                yield step, row, v
        going = list(zip(on, judged(on), strict=True))


def lifting(every, rows, verdicts):
    """Ends of `after_lifting`, and of the parts undecided at first how many the first lead and both decide.

    Counted twice: of all, and of those that are decided when free of the board.  The second count holds two
    leads of three to nothing, because the part is then free.
    """
    ends = list(after_lifting(every, rows, verdicts))
    free = {row["part"]: row for row in every if row["in_circuit"]}  # its last row: all leads lifted
    decided = {row["part"] for row, v in zip(free.values(), judged(list(free.values())), strict=True)
               if outcome(row, v) in ("right", "doubtful", "wrong")}  # fmt: skip
    counts = {}
    for whose, among in (("all", free), ("decided when free", decided)):
        asked = [(step, outcome(row, v)) for step, row, v in ends
                 if row["part"] in among and (step or outcome(row, v) == "undecided")]  # fmt: skip
        done = [step for step, result in asked if result not in ("undecided", "crash")]
        counts[whose] = len(asked), done.count(1), len(done)
    return ends, counts


def tally(rows, verdicts):
    """Counts of outcomes by class; ``listed`` are the undecided that name the truth."""
    table = defaultdict(Counter)
    for row, v in zip(rows, verdicts, strict=True):
        result = outcome(row, v)
        named = ["listed"] if result == "undecided" and listed(row, v) else []
        table[klass(row)].update([result, "parts", *named])
    return table


def failures(table, of=1):
    """Bars that a class misses: confident wrong, ordinary sound parts undecided, faults no longer found.

    Of a table of every `of`-th part as large a share must be found, less one that luck may have kept out.
    """
    marks = defaultdict(list)
    for name, c in table.items():
        if c["wrong"] + c["crash"] > max(0.01 * c["parts"], 1):  # one in a small class is no rate yet
            marks[name].append("WRONG")
        if name in [f"{kind}: sound" for kind in ORDINARY] and c["undecided"] > 0.02 * c["parts"]:
            marks[name].append("UNDECIDED")
        if c["right"] + c["listed"] < FOUND_BEFORE.get(name, 0) // of - (of > 1):
            marks[name].append("LESS FOUND")
    return marks


def as_it_stands(every):
    """Rows of the parts as they are first read."""
    return [row for row in every if not row["lifted"] and not row["discharged"]]


def report(every, worst=10):
    """Table by class, and the worst examples of every class that misses its bar, line by line."""
    rows = as_it_stands(every)
    verdicts = judged(rows)
    pairs = list(zip(rows, verdicts, strict=True))
    table = tally(rows, verdicts)
    marks = failures(table)
    table["all"] = sum(table.values(), Counter())
    heads = ("parts", "wrong", "doubtful", "undecided", "listed", "right", "crash")
    yield f"{'class':32}" + "".join(f"{head:>10}" for head in heads) + f"{'before':>10}"
    for name, c in table.items():
        before = f"{FOUND_BEFORE.get(name, ''):>10}"
        counts = "".join(f"{c[head]:10}" for head in heads)
        yield f"{name:32}{counts}{before} {', '.join(marks[name])}"
    bad = table["all"]["wrong"] + table["all"]["crash"]
    yield f"confident wrong: {1000 * bad / len(rows):.1f} in 1,000"
    yield "listed: undecided, the truth is named.  before: right at 1e2886f; LESS FOUND: right + listed"
    some = defaultdict(Counter)
    for row, v in pairs:
        if row["kind"] in ORDINARY and klass(row).endswith("sound"):
            some[row["meter"]][outcome(row, v)] += 1
    yield "ordinary sound parts by meter: " + "; ".join(f"{k} {dict(c)}" for k, c in some.items())
    again = [row for row in every if row["discharged"]]
    found = Counter(outcome(row, v) for row, v in zip(again, judged(again), strict=True))
    yield f"charged MOSFETs after all leads were shorted together: {dict(found)}"
    ends, counts = lifting(every, rows, verdicts)
    for whose, (asked, one, two) in counts.items():
        share = f"{one} ({100 * one / asked:.0f} %)"
        yield f"in circuit, {whose}: {asked} undecided, {share} decided by one lead as told, {two} by two"
    found = Counter(f"{step} lifted {outcome(row, v)}" for step, row, v in ends)
    yield f"    {dict(sorted(found.items()))}"
    groups = {
        name: [(row, v) for step, row, v in ends if bool(step) == later and outcome(row, v) == what]
        for name, later, what in (("in circuit, wrong after lifting", True, "wrong"),
                                  ("in circuit, no lead named", False, "undecided"))
    }  # fmt: skip
    for name in filter(marks.get, table):
        bad = ("wrong", "crash") if marks[name] == ["WRONG"] else ("wrong", "crash", "undecided")
        groups[f"{name} ({', '.join(marks[name])})"] = [
            (row, v) for row, v in pairs if klass(row) == name and outcome(row, v) in bad
            and ("LESS FOUND" not in marks[name] or not listed(row, v))
        ]  # fmt: skip
    for name, found in groups.items():
        seen, ranked = Counter(), []
        for row, v in found:  # the worst first, and of every meter some
            seen[outcome(row, v), row["meter"]] += 1
            ranked.append((outcome(row, v) == "undecided", seen[outcome(row, v), row["meter"]]))
        yield f"\n== {name}: {len(found)}"
        for k in sorted(range(len(found)), key=ranked.__getitem__)[:worst]:
            yield _example(*found[k])


def _example(row, v):
    said = repr(v)
    if not isinstance(v, Exception):
        device = f"[{v.device.kind}, {v.device.material} {v.device.polarity}]"
        said = (f"{v.verdict} {max(v.probability.values()):.3f} {','.join(v.faults)} {device}"
                f" {v.doubt[:150]} | {' '.join(v.evidence)[:250]} | next: {v.next[:150]}")  # fmt: skip
    where = f"{row['part']} {row['meter']} {row['temp_C'] or '?'} C"
    where += f" lifted {row['lifted']}" if row["lifted"] else ""
    return (f"{outcome(row, v):9} {where}  {row['readings']}\n    truth: {row['kind']}, {row['leads']},"
            f" {row['faults'] or 'sound'} -> {row['truth']}\n    said:  {said}")  # fmt: skip


if __name__ == "__main__":
    if sys.argv[1:] == ["renew"]:
        renew()
    elif sys.argv[1:2] == ["report"]:
        other = [int(word) for word in sys.argv[2:]]
        for line in report(bag(*other) if other else frozen()):
            print(line)
    else:
        raise SystemExit(__doc__)
