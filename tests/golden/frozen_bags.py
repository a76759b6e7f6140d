"""Two hundred small bags, drawn from fixed seeds, whose answers are kept in ``frozen.json.gz``.

Everything is invented and simulated here, by textbook laws solved with plain bisection; nothing of junction
is imported, so that a change in its physics cannot change the bags it is compared on.
"""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

import numpy as np

VT_V = 0.02543  # thermal voltage at 22 degC
NAMED = ("B-E", "E-B", "B-C", "C-B", "C-E", "E-C")
NUMBERED = ("1-2", "2-1", "1-3", "3-1", "2-3", "3-2")
AK = ("A-K", "K-A")


class Bag(NamedTuple):
    """A bag and the commands it is given to.

    Attributes
    ----------
    name : str
    text : str
        CSV; '' where the command line says all.
    calls : tuple of tuple of str
        Command lines, ``BAG`` standing for the file.
    """

    name: str
    text: str
    calls: tuple[tuple[str, ...], ...]


def _table(headings, rows, sep: str = ",") -> str:
    return "\n".join([sep.join(headings), *(sep.join(map(str, row)) for row in rows)]) + "\n"


def _words(line: str) -> tuple[str, ...]:
    return tuple(line.split())


def _pick(rng, items):
    return items[int(rng.integers(len(items)))]


# --- meter readings --------------------------------------------------------------------------------------


class _Part(NamedTuple):
    """Junctions B-E and B-C [A], ideality, gain of the transistor between, conductances [S], polarity."""

    ies: float
    ics: float
    n: float = 1.0
    bf: float = 150.0
    g: tuple[float, float, float] = (0.0, 0.0, 0.0)  # B-E, B-C, C-E
    pnp: bool = False


#: kind -> saturation currents, ideality, types NPN, types PNP.
_TRANSISTORS = {
    "small": (1.1e-14, 1.6e-14, 1.0, ("BC547B", "2N3904", ""), ("BC557B", "2N3906", "")),
    "power": (2e-12, 3e-12, 1.0, ("2N3055", "MJ15003", ""), ("MJ2955", "TIP42C", "")),
    "germanium": (6e-7, 9e-7, 1.0, ("",), ("AC128", "2N404", "")),
    "darlington": (1.5e-14, 5e-9, 2.0, ("TIP122", ""), ("TIP127", "")),
}
#: kind -> saturation current, ideality, types.
_DIODES = {
    "rectifier": (2e-9, 1.75, ("1N4004", "1N5408", "")), "switching": (2.5e-9, 1.8, ("1N4148", "")),
    "Schottky": (8e-7, 1.05, ("1N5819", "")), "LED": (4e-21, 1.75, ("",)),
}  # fmt: skip
#: fault -> conductances B-E, B-C, C-E [S]; "open" takes a junction away.
_FAULTS = {
    "good": (0, 0, 0), "BE short": (2, 0, 0), "BC short": (0, 2, 0), "CE short": (0, 0, 2),
    "BE leak": (7e-4, 0, 0), "BC leak": (0, 7e-4, 0), "CE leak": (0, 0, 7e-4),
    "BE open": (0, 0, 0), "BC open": (0, 0, 0),
}  # fmt: skip


def _transistor(rng, beside: bool = False) -> tuple[_Part, str]:
    """Draw a transistor, with paths beside it where it is still in circuit; also its type, or ''."""
    kind = _pick(rng, list(_TRANSISTORS))
    fault = _pick(rng, ["good"] * 4 + list(_FAULTS))
    ies, ics, n, npn, pnp = _TRANSISTORS[kind]
    size = np.exp(rng.normal(0, 0.6, 4))
    g = np.array(_FAULTS[fault]) * size[:3]
    if beside:
        g = g + (rng.random(3) < 0.6) / np.exp(rng.uniform(5.0, 10.0, 3))
    is_pnp = bool(rng.random() < (0.9 if kind == "germanium" else 0.4))
    part = _Part(0.0 if fault == "BE open" else ies * size[3], 0.0 if fault == "BC open" else ics * size[3],
                 n, 150.0, tuple(g), is_pnp)  # fmt: skip
    return part, _pick(rng, pnp if is_pnp else npn)


def _diode(rng) -> tuple[_Part, str]:
    """Draw a diode, anode on B and cathode on E; also its type, or ''."""
    is_a, n, types = _DIODES[_pick(rng, list(_DIODES))]
    fault = _pick(rng, ["good", "good", "short", "leak", "open"])
    g = {"short": 2.0, "leak": 1 / 700}.get(fault, 0.0) * float(np.exp(rng.normal(0, 0.6)))
    return _Part(0.0 if fault == "open" else is_a, 0.0, n, 0.0, (g, 0.0, 0.0)), _pick(rng, types)


def _expm1(x):
    return np.expm1(np.clip(x, -300.0, 200.0))


def _read(rng, parts, placements, leads="BCE") -> list[list[str]]:
    """What a meter of 1 mA, OL above 2 V, shows.

    Parameters
    ----------
    rng : numpy.random.Generator
    parts : sequence of _Part
    placements : sequence of str
        ``X-Y``, red lead first.
    leads : str, optional
        Names of base, collector and emitter; of a diode the two of anode and cathode.

    Returns
    -------
    list of list of str
        For each part its readings in the order of the placements.
    """
    role = dict(zip(leads, (0, 2) if len(leads) == 2 else (0, 1, 2), strict=True))
    one = [(p, *(role[x] for x in (w[::-1] if p.pnp else w)[::2])) for p in parts for w in placements]
    red, black = np.array([x[1] for x in one]), np.array([x[2] for x in one])
    third, at = 3 - red - black, np.arange(len(one))
    ies, ics, n, bf = (np.array([x[0][k] for x in one], float) for k in range(4))
    gbe, gbc, gce = np.array([x[0].g for x in one], float).T
    forward = np.where((ies > 0) & (ics > 0), bf / (1 + bf), 0.0)
    backward = np.minimum(forward * ies / np.maximum(ics, 1e-300), 0.95)

    def into(v_red, v_third, lead):
        v = np.zeros((3, at.size))
        v[red, at], v[third, at] = v_red, v_third
        be, bc = ies * _expm1((v[0] - v[2]) / (n * VT_V)), ics * _expm1((v[0] - v[1]) / (n * VT_V))
        b = (1 - forward) * be + (1 - backward) * bc + gbe * (v[0] - v[2]) + gbc * (v[0] - v[1])
        c = forward * be - bc - gbc * (v[0] - v[1]) + gce * (v[1] - v[2])
        return np.stack([b, c, -b - c])[lead, at]

    def bisect(above, low, high):
        for _ in range(24):  # to 0.2 µV, where the meter shows 1 mV
            middle = 0.5 * (low + high)
            over = above(middle)
            low, high = np.where(over, low, middle), np.where(over, middle, high)
        return 0.5 * (low + high)

    def fed(v_red):  # the free lead takes the voltage at which nothing flows into it
        free = bisect(lambda v: into(v_red, v, third) + 1e-13 * v > 0, np.full(at.size, -0.2), v_red + 0.2)
        return into(v_red, free, red)

    none = np.zeros(at.size)
    v = bisect(lambda x: fed(x) > np.minimum(1e-3, (3.0 - x) / 1e-3), none, none + 3.0)
    shown = np.maximum(np.round(1000 * v * (1 + 0.003 * rng.standard_normal(at.size))), 0)
    text = ["OL" if s >= 2000 else f"{s / 1000:.3f}" for s in shown]
    return [text[k : k + len(placements)] for k in range(0, len(text), len(placements))]


def _marked(letter: str, cells, kinds) -> list[list[str]]:
    """Rows of tag, readings and type."""
    return [[f"{letter}{n + 1}", *c, kind] for n, (c, kind) in enumerate(zip(cells, kinds, strict=True))]


def _named(rng, k: int) -> Bag:
    parts, kinds = zip(*(_transistor(rng) for _ in range(2 + k % 2)), strict=True)
    rows = [[*row, 22 if k % 3 else ""] for row in _marked("Q", _read(rng, parts, NAMED), kinds)]
    return Bag(f"named {k}", _table(["part", *NAMED, "type", "temp_C"], rows), (("sort", "BAG"),))


def _numbered(rng, k: int) -> Bag:
    parts = [_transistor(rng)[0] for _ in range(2)]
    leads = "".join(str(x) for x in rng.permutation(3) + 1)
    rows = [[f"T{n + 1}", *c] for n, c in enumerate(_read(rng, parts, NUMBERED, leads))]
    return Bag(f"numbered {k}", _table(["part", *NUMBERED], rows), (("sort", "BAG"),))


def _diodes(rng, k: int) -> Bag:
    parts, kinds = zip(*(_diode(rng) for _ in range(3)), strict=True)
    rows = _marked("D", _read(rng, parts, AK, "AK"), kinds)
    if k % 2:  # as a spreadsheet with decimal commas writes it
        rows = [[str(c).replace(".", ",") for c in row] for row in rows]
    return Bag(f"diodes {k}", _table(["part", *AK, "type"], rows, ";" if k % 2 else ","), (("sort", "BAG"),))


def _circuit(rng, k: int) -> Bag:
    parts, kinds = zip(*(_transistor(rng, beside=True) for _ in range(2)), strict=True)
    rows = [[*row, "yes"] for row in _marked("C", _read(rng, parts, NAMED), kinds)]
    return Bag(f"circuit {k}", _table(["part", *NAMED, "type", "in_circuit"], rows), (("sort", "BAG"),))


def _check(rng, k: int) -> Bag:
    """One part on the command line, some placements left out."""
    diode = k % 5 == 4
    part, kind = _diode(rng) if diode else _transistor(rng)
    placements, leads = (AK, "AK") if diode else (NUMBERED, "312") if k % 2 else (NAMED, "BCE")
    (cells,) = _read(rng, [part], placements, leads)
    words = [f"{p}={c}" for p, c in zip(placements, cells, strict=True)]
    words = words[: len(words) - (k % 3) * (not diode)]
    words += ["--type", kind] if kind and k % 2 else []
    words += ["--hfe", f"{rng.uniform(40, 300):.0f}"] if k % 7 == 0 and not diode else []
    words += ["--in-circuit"] if k % 6 == 5 else []
    return Bag(f"check {k}", "", (("check", *words),))


def _spoiled(rng, k: int) -> Bag:
    """Long readings and sweep rows with slips of the pen."""
    (cells,) = _read(rng, [_transistor(rng)[0]], NAMED)
    slips = ["0.6S2", "655", "1", "612 mA", "-0.4", "nan", "1_000", "", "-", "0,6.1"]
    rows = [["L1", p[0], p[2], c] for p, c in zip(NAMED, cells, strict=True)]
    again = [["L1", "B", "E", cells[0]], ["L1", "B", "E", 0.9], ["L2", "B", "Q", 0.6], ["", "B", "E", 0.6]]
    rows += again[: k % 4 + 1]
    rows += [["L3", "A", "K", _pick(rng, slips)], ["L3", "K", "A", "OL"], ["L4", "A", "K", slips[k]]]
    return Bag(f"spoiled {k}", _table(["part", "red", "black", "value"], rows), (("sort", "BAG"),))


# --- sweeps ----------------------------------------------------------------------------------------------

#: family -> junction, IS [A], N, RS [ohm], sweep from and to [V], current limit [A].
_SWEPT = {
    "small": ("BE", 2e-14, 1.02, 1.2, -5.0, 0.8, 0.02),
    "power": ("BE", 3e-12, 1.03, 0.08, -5.0, 0.75, 0.5),
    "collector": ("BC", 4e-14, 1.01, 0.8, -20.0, 0.8, 0.02),
    "rectifier": ("AK", 2e-9, 1.7, 0.05, -20.0, 0.9, 0.3),
    "switching": ("AK", 2.5e-9, 1.8, 0.8, -20.0, 0.9, 0.03),
    "LED": ("AK", 4e-21, 1.75, 3.0, -4.0, 2.1, 0.02),
    "Zener": ("AK", 3e-15, 1.05, 2.0, -10.2, 0.85, 0.02),
}
_CONDITIONS = ("good", "good", "leaky", "weak leak", "shorted", "open", "noisy", "coarse", "limited", "few",
               "photo", "up and down")  # fmt: skip


def _current(v, is_a, n, rs, shunt, photo, bv):
    """Terminal current at terminal voltage [A], by bisection on the inner voltage."""

    def inner(vj):
        back = 1e-3 * np.exp(np.clip(-(vj + bv) / (3 * VT_V), -300.0, 200.0)) if np.isfinite(bv) else 0.0
        return is_a * _expm1(vj / (n * VT_V)) + vj / shunt - photo - back

    low, high = np.minimum(v, 0.0) - photo * rs - 1e-9, np.maximum(v, 0.0) + photo * rs + 1e-9
    for _ in range(60):
        middle = 0.5 * (low + high)
        above = middle + rs * inner(middle) > v
        low, high = np.where(above, low, middle), np.where(above, middle, high)
    return inner(0.5 * (low + high))


def _sweep(rng, family: str, condition: str) -> tuple[str, np.ndarray, np.ndarray]:
    """Draw a sweep: junction, voltages and currents as the box logs them."""
    junction, is_a, n, rs, start, stop, limit = _SWEPT[family]
    is_a, shunt, points = is_a * float(np.exp(rng.normal(0, 0.4))), np.inf, 40
    if condition in ("leaky", "weak leak"):
        shunt = float(np.exp(rng.normal(0, 0.4))) * (3e3 if condition == "leaky" else 2e6)
    if condition == "shorted":
        is_a, rs, shunt, start, stop, limit = 1e-30, 0.05, 3.0, -0.1, 0.1, 0.2
    if condition == "open":
        is_a = 0.0
    if condition == "few":
        start, points = 0.0, 7
    third = points // 3 if start else 0
    v = np.concatenate([np.linspace(start, 0, third, endpoint=False), np.linspace(0, stop, points - third)])
    v = np.concatenate([v, v[::-1]]) if condition == "up and down" else v
    photo, bv = 3e-6 * (condition == "photo"), 10.0 if family == "Zener" else np.inf
    i = _current(v, is_a, n, rs, shunt, photo, bv)
    if condition == "limited":
        i = np.clip(i, -limit / 10, limit / 10)
    keep = np.abs(i) <= limit
    v, i = v[keep], i[keep]
    much = 20 if condition == "noisy" else 1
    i = i * (1 + 2e-3 * much * rng.standard_normal(i.size)) + 1e-9 * rng.standard_normal(i.size)
    v = v + 2e-4 * much * rng.standard_normal(v.size)
    return junction, np.round(v, 4), np.round(i, 5) if condition == "coarse" else i


def _sweeps(rng, k: int) -> Bag:
    families, rows = list(_SWEPT), []
    for n in range(1 + k % 2):
        family = families[(k + 3 * n) % len(families)]
        condition = _CONDITIONS[(5 * k + n) % len(_CONDITIONS)]
        junction, v, i = _sweep(rng, family, condition)
        pnp = junction != "AK" and k % 4 == 1
        kinds = {"AK": ("1N4004", ""), "BE": ("BC557B" if pnp else "2N3055", ""), "BC": ("",)}[junction]
        kind, sign = _pick(rng, kinds), -1 if pnp else 1
        rows += [[f"S{n + 1}", junction, f"{sign * a:.4f}", f"{sign * b:.4g}", kind, 22 if k % 3 else ""]
                 for a, b in zip(v, i, strict=True)]  # fmt: skip
    headings = ["part", "junction", "v_V", "i_A", "type", "temp_C"]
    return Bag(f"sweeps {k}", _table(headings, rows), (("sort", "BAG"), ("fit", "BAG")))


# --- curves, spot readings, stages, shelves --------------------------------------------------------------


def _gummel(part, vbe, vce):
    """Collector and base current of (IS, BF, ISE, IKF) at inner base voltages [A], 110 V Early voltage."""
    is_a, bf, ise, ikf = part
    own = is_a * _expm1(vbe / VT_V)
    ic = own * (1 + vce / 110.0) / (0.5 + np.sqrt(0.25 + own / ikf))
    return ic, own / bf + ise * _expm1(vbe / (1.7 * VT_V))


def _device(rng):
    size = np.exp(rng.normal(0, [0.25, 0.2, 0.3, 0.1]))
    return np.array([3e-12, 75.0, 2e-11, 8.0]) * size


def _curves(rng, k: int) -> Bag:
    rows = []
    for n in range(4 + k % 3):
        pnp = k % 4 == 3 or (k % 4 == 2 and n % 2 == 1)
        sign, tag, device = -1 if pnp else 1, f"{'P' if pnp else 'N'}{n + 1:02d}", _device(rng)
        for vce in (5.0,) if k % 2 else (2.0, 12.0):
            inner = np.linspace(0.46, 0.70, 11)
            ic, ib = _gummel(device, inner, vce)
            vbe = inner + 0.8 * ib + 0.015 * (ic + ib) + 2e-4 * rng.standard_normal(inner.size)
            ic, ib = (x * (1 + 3e-3 * rng.standard_normal(x.size)) for x in (ic, ib))
            rows += [[tag, f"{sign * vce:g}", f"{sign * a:.4f}", f"{sign * b:.4g}", f"{sign * c:.4g}", 22]
                     for a, b, c in zip(vbe, ib, ic, strict=True)]  # fmt: skip
    stage = "--supply 30V --idle-current 200mA --peak-current 2A --emitter-resistor 0.33ohm"
    layout = "--layout complementary" if k % 4 == 2 else "--parallel 2"
    headings = ["part", "vce_V", "vbe_V", "ib_A", "ic_A", "temp_C"]
    return Bag(f"curves {k}", _table(headings, rows), (("fit", "BAG"), _words(f"match BAG {layout} {stage}")))


def _spots(rng, k: int) -> Bag:
    rows = []
    for n in range(6 + k % 3):
        polarity = "PNP" if k % 3 == 2 and n % 2 else "NPN"
        device = _device(rng)
        for amps in (0.1, 2.0)[: 1 + k % 2]:
            grid = np.linspace(0.4, 0.8, 801)
            ic, ib = _gummel(device, grid, 5.0)
            vbe, base = (np.interp(np.log(amps), np.log(ic), x) for x in (grid, ib))
            vbe = 1000 * (vbe + 0.8 * base + 0.015 * amps) + rng.normal(0, 1)
            gain = f"{amps / base:.0f}"
            rows.append([f"N{n + 1:02d}", polarity, f"{1000 * amps:g}", f"{vbe:.0f}", gain, 23])
    stage = ("--power 30W --load 8ohm --supply 30V", "--idle-drop 20mV", "--vce 10V")[k % 3]
    layout = "quasi-complementary" if k % 5 == 4 else "complementary" if k % 3 == 2 else "pairs"
    call = _words(f"match BAG --layout {layout} --emitter-resistor 0.33ohm {stage}")
    return Bag(f"spots {k}", _table(["part", "polarity", "ic_mA", "vbe_mV", "hFE", "temp_C"], rows), (call,))


def _stage(rng, k: int) -> Bag:
    """Measured drops of one or two rails, some of them wrong."""
    each = 1 + k % 3
    drops = 20 * np.exp(rng.normal(0, 0.05, (2 if k % 4 else 1) * each))
    if k % 7:
        drops[int(rng.integers(drops.size))] *= (0.003, 2.0, 4.0, 0.003, 30.0, 0.5)[k % 6]
    given = "--power 40W --load 8ohm --supply 35V --type MJ15003" if k % 3 else ""
    text = ",".join(f"{d:.1f}mV" for d in drops)
    call = f"stage --parallel {each} --emitter-resistor 0.22ohm --idle-drop 20mV {given}"
    return Bag(f"stage {k}", "", (_words(f"{call} --measured-drops {text}"),))


def _shelf(rng, k: int) -> Bag:
    """A drawer of marked parts against an original, or against what a place needs."""
    types = [*"MJ15003 2N3773 TIP41C BD139 2N3055 MJ2955 TIP122 BC547B 1N4007 NOSUCH9".split(), ""]
    rows = [[f"A{n + 1}", types[m], "0.55"] for n, m in enumerate(rng.permutation(len(types))[:5])]
    asks = ("2N3055", "BD139 --case-temperature 80C", "TIP41C --most 3",
            "--voltage 60V --current 3A --polarity NPN", "--power 50W --case-temperature 75C")  # fmt: skip
    call = _words(f"substitute {asks[k % len(asks)]} --bag BAG")
    return Bag(f"shelf {k}", _table(["part", "type", "B-E"], rows), (call,))


#: how many of each kind, 200 together; the place in this list is part of the seed
_KINDS = ((_named, 36), (_numbered, 18), (_diodes, 16), (_circuit, 12), (_check, 28), (_spoiled, 10),
          (_sweeps, 36), (_curves, 8), (_spots, 12), (_stage, 14), (_shelf, 10))  # fmt: skip


@cache
def bags() -> tuple[Bag, ...]:
    """Draw the bags, the same ones every time.

    Returns
    -------
    tuple of Bag
    """
    return tuple(make(np.random.default_rng([31, kind, k]), k)
                 for kind, (make, count) in enumerate(_KINDS) for k in range(count))  # fmt: skip
