"""The view of fitted sweeps and curves: tables, page, CSV, SPICE cards and JSON.

A junction becomes a ``D`` card.  What a diode card has no letter for (a shunt, a second exponential, a
photocurrent) goes into a sub-circuit beside it, since leaving it out would draw another curve.  The shunt
lies across the junction itself, behind RS, as in the model that was fitted.  The second exponential is a
second ideal diode: the ISR of a diode card is scaled by the depletion width and would not be the same.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from math import isfinite, nan
from typing import TYPE_CHECKING

from junction.base.records import Interval, spelled
from junction.base.units import (
    REFERENCE_TEMP_C,
    ZERO_CELSIUS_K,
    interval,
    nominal,
    quantity,
    value_and_ends,
)
from junction.judge.results import say
from junction.paper.part import (
    fit_blocks,
    fit_notes,
    parameter_word,
    source_caption,
    sweep_pictures,
    temperature_note,
)
from junction.show import blocks as b
from junction.show.write import ends, record, set_aside_table
from junction.sweeps.results import IBV_A, PARAMETERS, FitReport, FitRow, TransistorRow

if TYPE_CHECKING:  # a report without pictures does not wait for what draws them
    from junction.show.canvas import Picture

#: What is derived from a fit and stands in a short answer.
_BRIEF = ("V at 1 mA",)
#: Up to so many sweeps are listed with every parameter and interval; beyond, one line a sweep.
FULL_UP_TO = 40
MOST_LINES = 200
#: Sweeps and transistors that get a section of their own on the page, or in a notebook; the files hold all.
MOST_SECTIONS = 400
MOST_DISPLAYED = 6

_UNITS = {"IS": "A", "ISE": "A", "IKF": "A", "VAF": "V", "RE": "ohm", "RB": "ohm", "RC": "ohm"}
#: SPICE's own names, in the order of a card.
_DIODE = (("IS_A", "IS"), ("N", "N"), ("RS_ohm", "RS"), ("BV_V", "BV"), ("IBV_A", "IBV"),
          ("NBV", "NBV"))  # fmt: skip
_BRANCH = ("BV", "IBV", "NBV")
_TRANSISTOR = ("IS", "NF", "BF", "ISE", "NE", "IKF", "VAF", "BR", "RE", "RB", "RC", "EG", "XTB")


def summary(report: FitReport) -> str:
    """How much was fitted, in one line."""
    unfitted = sum(bool(r.why_not) for r in (*report.rows, *report.transistors))
    found = f"{b.count(len(report.rows), 'sweep')}, "
    found += f"{b.count(len(report.transistors), 'transistor')} from curves"
    return found + (f"; {unfitted} without a fit" if unfitted else "")


def notes(report: FitReport) -> list[str]:
    """What holds for all of the fits."""
    out = ["Intervals are 95 %; a < or > is a limit the data set, not a value."]
    out += [report.noise_note] if report.noise_note else []
    unknown = {r.part for r in report.rows if not r.fit.temp_known}
    unknown |= {t.part for t in report.transistors if not t.temp_known}
    if unknown:
        out.append(temperature_note(len(unknown), report.default_temp_C))
    return out


def short(report: FitReport, everything: bool = False) -> Iterable[b.Block]:
    """A block a sweep or transistor: the model, every parameter with its interval, what its flags say."""
    if everything or len(report.rows) > FULL_UP_TO:
        yield from terminal(report, everything)
        return
    yield b.text(summary(report), "strong")
    for row in (*report.rows, *report.transistors):
        swept, said, flags, values = isinstance(row, FitRow), row.why_not, [], {}
        if swept and not said:
            said = f"{row.fit.model}; {row.fit.n_used} of {row.fit.n_points} points"
            flags, values = [b.words(note) for note in fit_notes(row.fit)], row.fit.parameters
            values = values | {name: row.fit.derived[name] for name in _BRIEF if name in row.fit.derived}
        elif not said:
            said = f"from curves, {quantity(row.ic_low_A, 'A', 2)} to {quantity(row.ic_high_A, 'A', 2)}"
            flags = [f"the data cannot say {', '.join(row.held)}: defaults"] if row.held else []
            flags, values = flags + curve_notes(row), row.parameters
        of = spelled(row.junction) if swept else row.polarity
        yield b.text(f"{row.part} {of}  {said}", "strong", hang="  ")
        at = [(quantity(a.ic_A, "A", 1), a.vbe_V, a.hfe) for a in (() if swept else row.at)]
        first = "; ".join(f"{amps}: V_BE {interval(volts, ends=False)}, h_FE {interval(gain, ends=False)}"
                          for amps, volts, gain in at)  # fmt: skip
        found = [f"{parameter_word(name)} {interval(it, ends=swept)}"
                 for name, it in values.items()]  # fmt: skip
        yield from (b.text(f"  {text}", hang="    ") for text in (first, "; ".join(found), *flags) if text)
    yield from (b.text(note) for note in notes(report))


def terminal(report: FitReport, everything: bool = False) -> Iterable[b.Block]:
    """Parameters with their 95 % intervals; one line a sweep when there are many."""
    full = everything or len(report.rows) <= FULL_UP_TO
    if report.rows:
        yield from [_values(report.rows, "of")] if full else _compact(report.rows)
        yield ""
    if report.transistors:
        yield from (_values(report.transistors, "polarity"), "")
    yield b.text(summary(report))
    for note in notes(report):
        yield b.text(note)
    if not full:
        yield b.text("One line a sweep; --all shows every parameter with its interval.")
    yield b.bullets([c.text for c in report.cautions], "cautions")


def _values(rows: Iterable[FitRow | TransistorRow], of: str) -> b.Block:
    """Every value of sweeps or of transistors with its 95 % interval."""
    cells = []
    for row in rows:
        if row.why_not:
            values = [["no fit", "", row.why_not]]
        elif isinstance(row, FitRow):
            f = row.fit
            said = "; ".join([f.model, f"{f.n_used} of {f.n_points} points", *map(b.words, fit_notes(f))])
            values = [["model", "", said]]
            values += [[parameter_word(name), *value_and_ends(it)]
                       for name, it in (*f.parameters.items(), *f.derived.items())]  # fmt: skip
        else:
            values = [[name, *value_and_ends(it)] for name, it in (*_first(row), *row.parameters.items())]
            if row.held:
                values.append(["default", "", f"the data cannot say: {', '.join(row.held)}"])
            values += [["note", "", said] for said in curve_notes(row)]
        first = (row.part, spelled(row.junction) if isinstance(row, FitRow) else row.polarity)
        cells += [[*(first if k == 0 else ("", "")), *value] for k, value in enumerate(values)]
    heads = ("quantity", "value", "95 % interval")
    return b.table(b.columns("part", of, *heads, right=heads[1:2], wrap=heads[2:]), cells)


def _first(row: TransistorRow) -> list[tuple[b.Inline, Interval]]:
    """What a technician reads first: V_BE and h_FE at currents, by the words for it."""
    found = []
    for name, key in (("V_BE", "vbe_V"), ("h_FE", "hfe")):
        found += [((f"{name} at ", quantity(a.ic_A, "A", 1), ", V_CE ", quantity(a.vce_V, "V", 2)), it)
                  for a in row.at if isfinite((it := getattr(a, key)).value)]  # fmt: skip
    return found


def curve_notes(row: TransistorRow) -> list[str]:
    """What the points of a curve showed of the instruments, and what was left out for it."""
    out, left = [], row.left_out
    offsets = {"ic": row.offset_ic_A, "ib": row.offset_ib_A}
    if "current_limited" in row.flags:
        out.append(say("fit_curve_limit", limit=row.limit_A, points=left.get("current limit", 0)))
    if "zero_offset" in row.flags:
        out.append(say("fit_curve_offset", **offsets))
    for reason in ("foot of a Darlington", "below the noise", "off the curve", "over-range", "not complete"):
        if left.get(reason):
            out.append(say("fit_curve_left", points=b.count(left[reason], "point"), why=reason))
    if "n_impossible" in row.flags:
        nf = row.card["NF"]
        cold, scale = (1.0 - nf) * (REFERENCE_TEMP_C + ZERO_CELSIUS_K), 100.0 * (1.0 - nf)
        out.append(say("fit_curve_n_impossible", nf=nf, cold=cold, scale=scale))
    if "self_heated" in row.flags:
        out.append(say("fit_flag_self_heated"))
    return out


def _compact(rows: tuple[FitRow, ...]) -> Iterable[b.Block]:
    held = {n for r in rows for n in r.fit.parameters}
    names = [n for n in ("IS_A", "N", "RS_ohm", "RSH_ohm", "R_ohm") if n in held]
    right = [parameter_word(n) for n in names]
    columns = b.columns("part", "of", *right, "model", right=right, wrap=("model",))
    cells = []
    for row in rows[:MOST_LINES]:
        p = row.fit.parameters
        values = (interval(p[n], ends=False) if n in p else "" for n in names)
        cells.append([row.part, spelled(row.junction), *values, row.why_not or row.fit.model])
    yield b.table(columns, cells)
    if len(rows) > MOST_LINES:
        yield b.text(f"and {b.count(len(rows) - MOST_LINES, 'more sweep')}")


def tables(report: FitReport) -> dict:
    """``parameters``, one row a sweep; ``transistors``, one a transistor (at 25 degC); the set-aside list."""
    found: dict = {}

    if report.rows:
        names = [n for n in PARAMETERS if any(n in r.fit.parameters for r in report.rows)]
        units = {n: it.unit for r in report.rows for n, it in r.fit.derived.items()}
        titles = [title for n in names for title in (n, f"{n}_low", f"{n}_high")]
        for n, unit in units.items():
            name = f"{n} ({unit})" if unit else n
            titles += [name, f"{name} low", f"{name} high"]
        heads = ["part", "junction", "type", "file", "first_line", "last_line", "model", "runner_up",
                 "evidence_gap", *titles, "flags", "points", "points_used", "left_out", "chi2", "dof",
                 "temp_C", "temp_known", "heating_K", "why_not"]  # fmt: skip
        found["parameters"] = heads, [
            (r.part, r.junction, r.type, r.file, r.first_line, r.last_line, f.model, f.runner_up,
             f.evidence_gap, *ends(*map(f.parameters.get, names)), *ends(*map(f.derived.get, units)),
             "; ".join(f.flags), f.n_points, f.n_used,
             "; ".join(f"{why}: {n}" for why, n in f.left_out.items()), f.chi2, f.dof, f.temp_C, f.temp_known,
             r.heating_K, r.why_not)
            for r in report.rows for f in [r.fit]
        ]  # fmt: skip
    if report.transistors:
        names = list(dict.fromkeys(n for r in report.transistors for n in r.parameters))
        currents = sorted({a.ic_A for r in report.transistors for a in r.at})
        heads = ["part", "polarity", "type", "vce_V"]
        for ic in currents:
            at = f"at_{str(quantity(ic, 'A', 1)).replace(' ', '')}"
            heads += [f"VBE_{at}{end}" for end in ("_V", "_low", "_high")]
            heads += [f"hFE_{at}{end}" for end in ("", "_low", "_high")]
        for n in names:
            heads += [f"{n}_{_UNITS[n]}" if n in _UNITS else n, f"{n}_low", f"{n}_high"]
        heads += ["held", "ic_low_A", "ic_high_A", "temp_C", "temp_known", "why_not",
                  "points_used", "left_out", "limit_A", "offset_ic_A", "offset_ib_A", "flags"]
        found["transistors"] = heads, [
            (r.part, r.polarity, r.type, r.at[0].vce_V if r.at else nan, *ends(*_by_current(r, currents)),
             *ends(*map(r.parameters.get, names)),
             "; ".join(r.held), r.ic_low_A, r.ic_high_A, r.temp_C, r.temp_known, r.why_not, r.points_used,
             "; ".join(f"{reason}: {count}" for reason, count in r.left_out.items()), r.limit_A,
             r.offset_ic_A, r.offset_ib_A, "; ".join(r.flags))
            for r in report.transistors
        ]  # fmt: skip
    return found | {"set_aside": set_aside_table(report.set_aside)}


def _by_current(row: TransistorRow, currents: Iterable[float]) -> list[Interval | None]:
    """V_BE and h_FE in turn at each current, None where the data do not reach."""
    at = {a.ic_A: (a.vbe_V, a.hfe) for a in row.at}
    return [it for ic in currents for it in at.get(ic, (None, None))]


def document(report: FitReport) -> dict:
    """Body of the JSON: by part, in the order read."""
    texts = cards(report)
    parts: dict[str, dict] = {}
    for r in (*report.rows, *report.transistors):
        entry = parts.setdefault(r.part, {"part": r.part, "type": r.type, "sweeps": [], "transistor": None})
        if isinstance(r, FitRow):
            entry["sweeps"].append({**record(r), "spice": texts.get((r.part, r.junction), "")})
        else:
            entry["transistor"] = {**record(r), "notes": curve_notes(r), "spice": texts.get((r.part, ""), "")}
    return {
        "parts": list(parts.values()), "rows_set_aside": sum(s.rows for s in report.set_aside),
        "sweeps": len(report.rows), "transistors": len(report.transistors),
        "default_temp_C": report.default_temp_C, "sweeps_plotted": min(report.plots, len(report.rows)),
        "notes": notes(report),
    }  # fmt: skip


def card_name(*words: str) -> str:
    """A name every SPICE reads: letters, digits and underscores, a letter first."""
    name = "_".join(re.sub(r"[^A-Za-z0-9]+", "_", w).strip("_") for w in words if w)
    return name if name[:1].isalpha() else f"X{name}"


def _model(name: str, kind: str, values: dict[str, float], temp_C: float) -> str:
    given = " ".join(f"{key}={value:.7g}" for key, value in values.items())
    return f".model {name} {kind}({given} TNOM={temp_C:g})"


def _measured_at(row) -> str:
    return f"{row.temp_C:g} C" + ("" if row.temp_known else " (taken, not measured)")


def diode_card(name: str, row: FitRow) -> str:
    """Card of one junction, comments first; '' for a path that is no junction."""
    fit, p = row.fit, row.fit.parameters
    known = {key: it.value for key, it in p.items() if isfinite(it.value)}
    if "IS_A" not in known or "N" not in known or "unphysical" in fit.flags:
        return ""
    lines = [f"* {b.visible(row.part)} {spelled(row.junction)}: {fit.model}, fitted at {_measured_at(fit)}"]
    for key, it in p.items():
        if key not in known and (isfinite(it.low) or isfinite(it.high)):
            limit = b.plain(interval(it))
            lines.append(f"* {key.partition('_')[0]} {limit}: a limit, left out of the card")
    known |= {"IBV_A": IBV_A} if "BV_V" in known else {}
    card = {spice: known[key] for key, spice in _DIODE if key in known}
    lines.append(_model(name, "D", card, fit.temp_C))
    if not known.keys() & {"RSH_ohm", "IPH_A", "ISR_A", "RZ_ohm"}:
        return "\n".join(lines)
    series, branch = card.pop("RS", 0.0), {}
    if "BV" in card and "RZ_ohm" in known:  # a breakdown with a resistance of its own is a diode of its own
        branch = {"IS": 1e-30, "RS": known["RZ_ohm"]} | {k: card.pop(k) for k in _BRANCH if k in card}
    node = "j" if series > 0 else "a"
    lines.append(f".subckt {name}_path a k")
    if series > 0:
        lines.append(f"RS1 a j {series:.7g}")
    lines += [f"D1 {node} k {name}_j", _model(f"{name}_j", "D", card, fit.temp_C)]
    if "ISR_A" in known and "NR" in known:
        ideal = {"IS": known["ISR_A"], "N": known["NR"]}
        lines += [f"D2 {node} k {name}_r", _model(f"{name}_r", "D", ideal, fit.temp_C)]
    if branch:
        lines += [f"D3 a k {name}_b", _model(f"{name}_b", "D", branch, fit.temp_C)]
    if "RSH_ohm" in known:
        lines.append(f"RSH1 {node} k {known['RSH_ohm']:.7g}")
    if "IPH_A" in known:
        lines.append(f"IPH1 k {node} DC {known['IPH_A']:.7g}")
    return "\n".join([*lines, ".ends"])


def cards(report: FitReport) -> dict[tuple[str, str], str]:
    """Card of every sweep and transistor, by part and junction ('' for a transistor)."""
    out: dict[tuple[str, str], str] = {}
    used: set[str] = set()
    for row in (*report.transistors, *report.rows):
        swept = isinstance(row, FitRow)
        base = card_name(row.part, row.junction if swept and row.junction != "AK" else "")
        name, number = base, 2
        while name.lower() in used:
            name, number = f"{base}_{number}", number + 1
        used.add(name.lower())
        text = ""
        if swept:
            text = diode_card(name, row)
        elif not row.why_not:
            values = {key: row.card[key] for key in _TRANSISTOR if key in row.card}
            held = f"\n* default, the data cannot say: {', '.join(row.held)}" if row.held else ""
            text = (f"* {b.visible(row.part)}: from curves, {row.ic_low_A:.3g} A to {row.ic_high_A:.3g} A, "
                    f"measured at {_measured_at(row)}, referred to 25 C{held}\n"
                    + _model(name, row.polarity or "NPN", values, 25.0))  # fmt: skip
        if text:
            key = (row.part, row.junction if swept else "")
            out[key] = f"{out[key]}\n{text}" if key in out else text
    return out


def files(report: FitReport, made: str = "", job: str = "") -> dict[str, str]:
    """SPICE cards."""
    head = "* SPICE model cards from measured sweeps; each holds over the currents that were measured only."
    return {"models.lib": "\n".join([head, "\n\n".join(cards(report).values()), ""])}


def pictures(report: FitReport, made: str = "") -> dict[str, Picture]:
    """Every picture of the page by the name of its file."""
    return {one.name: one for group in _drawn(report, made) for one in group.values()}


def _drawn(report: FitReport, made: str) -> tuple[dict[int, Picture], dict[str, Picture]]:
    """Pictures of sweeps by index and of transistors by part."""
    sweeps, curves = report.draw()
    transistors = {}
    if curves:
        from junction.show.plots import transistor_picture

        of = {t.part: t for t in report.transistors}
        for part, plot in curves.items():
            t = of[part]
            temp = f"{nominal(t.temp_C, 'degC')}{'' if t.temp_known else ' taken'}"
            name = f"{b.file_stem(part)}_curves"
            found = transistor_picture(name, part, plot, (t.type, t.polarity, temp, made[:10]))
            transistors |= {part: found} if found else {}
    return sweep_pictures({k: (plot, report.rows[k].fit) for k, plot in sweeps.items()}, made), transistors


def page(report: FitReport, made: str = "") -> tuple[str, list[b.Block]]:
    """Title and blocks: cautions, then each sweep and transistor with its pictures, values and card."""
    bag, texts = report.bag, cards(report)
    sweeps, curves = _drawn(report, made)
    lead = (b.count(len(report.rows), "sweep"), " and ", b.count(len(report.transistors), "transistor"),
            " from ", b.count(bag.rows_read, "row"), f" of {', '.join(bag.files[:6])}" if bag.files else "",
            f". {made}")  # fmt: skip
    blocks: list[b.Block] = [
        b.text("Fitted parameters", "title"), b.text(lead, "lead"), b.cautions(report.cautions),
        b.bullets(notes(report), role="soft"),
    ]  # fmt: skip
    if report.rows:
        shown = [_sweep(r, sweeps.get(k), texts.get((r.part, r.junction), ""))
                 for k, r in enumerate(report.rows[:MOST_SECTIONS])]  # fmt: skip
        caps = []
        if len(report.rows) > MOST_SECTIONS:
            caps.append(b.text("Sections for the first sweeps only; the files hold every one.", "soft"))
        if report.plots < len(report.rows):
            caps.append(b.text((b.count(report.plots, ""), " of ", b.count(len(report.rows), "sweep"),
                                " drawn; --plots draws more."), "soft"))  # fmt: skip
        blocks.append(b.section("Sweeps", [*caps, *shown]))
    if report.transistors:
        shown = [_transistor(t, curves.get(t.part), texts.get((t.part, ""), ""))
                 for t in report.transistors[:MOST_SECTIONS]]  # fmt: skip
        blocks.append(b.section("Transistors from curves", shown))
    return "Fitted parameters", [*blocks, b.set_aside(bag.set_aside)]


def display(report: FitReport) -> list[b.Block]:
    """What a notebook shows: a few fits with their pictures, of many the table."""
    if len(report.rows) + len(report.transistors) <= MOST_DISPLAYED:
        return page(report)[1][3:]
    return [block for block in terminal(report) if block]


def _sweep(row: FitRow, picture: Picture | None, card: str) -> b.Block:
    source = source_caption(vars(row))
    blocks: list[b.Block] = [b.pictures([picture], source) if picture else b.text(source, "soft")]
    blocks += [b.text(f"No fit: {row.why_not}")] if row.why_not else fit_blocks(row.fit)
    if row.heating_K == row.heating_K:
        blocks.append(b.text(("Warmed by about ", quantity(row.heating_K, "K", 2),
                            " during the sweep."), "soft"))  # fmt: skip
    if card:
        blocks.append(b.code(card, "SPICE card"))
    kind = [b.text(row.type, "what")] if row.type else []
    return b.section(f"{row.part} {spelled(row.junction)}", kind + blocks, level=3, role="part")


def _transistor(row: TransistorRow, picture: Picture | None, card: str) -> b.Block:
    blocks: list[b.Block] = [b.text(f"{row.type} {row.polarity}".strip(), "what")]
    if row.why_not:
        return b.section(row.part, [*blocks, b.text(f"No fit: {row.why_not}")], level=3, role="part short")
    span = ("Curves from ", quantity(row.ic_low_A, "A"), " to ",
            quantity(row.ic_high_A, "A"), "; values referred to 25 °C.")  # fmt: skip
    values = [[name, interval(it)] for name, it in (*_first(row), *row.parameters.items())]
    blocks += [b.pictures([picture])] if picture else []
    columns = b.columns("quantity", "value and its interval")
    blocks += [b.text(span, "soft"), b.table(columns, values, style="values")]
    if row.held:
        blocks.append(b.text(f"Held at defaults, as the data cannot say: {', '.join(row.held)}.", "soft"))
    if notes := curve_notes(row):
        blocks.append(b.bullets(notes))
    if card:
        blocks.append(b.code(card, "SPICE card"))
    return b.section(row.part, blocks, level=3, role="part short")
