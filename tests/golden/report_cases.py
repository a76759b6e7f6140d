"""Real commands on small bags, and everything each of them writes: what the kept reports are made of.

All parts are invented; those of `match`, `fit` and the curves of `sort` are drawn by `frozen_bags`.
"""

from __future__ import annotations

import contextlib
import io
import os
import re
import shlex
from pathlib import Path
from typing import NamedTuple
from unittest import mock

import numpy as np

from junction.cli.main import main
from junction.cli.output import Outputs
from tests.golden.frozen_bags import bags

#: The moment at which every report is made (SOURCE_DATE_EPOCH) [s].
EPOCH = "1767322800"
#: Run in this order into one folder, for the record of a job and its sheet.
JOB = ("check shorted", "sort", "match", "stage drops", "resistor heat")


class Case(NamedTuple):
    """A command line in which names of files stand, and those files by name."""

    line: str
    files: dict[str, str] = {}


def _frozen(*names: str, parts: int = 99) -> str:
    """A frozen bag's text, of its first parts; further bags of the same columns below it."""
    text = {bag.name: bag.text for bag in bags()}
    rows = [text[name].splitlines() for name in names]
    tags = list(dict.fromkeys(row.split(",")[0] for row in rows[0][1:]))[:parts]
    kept = [row for one in rows for row in one[1:] if row.split(",")[0] in tags]
    return "\n".join([rows[0][0], *kept]) + "\n"


_READINGS = """part,type,B-E,E-B,B-C,C-B,C-E,E-C,temp_C,in_circuit
Q1,2N3055,0.571,OL,0.562,OL,OL,OL,22,
Q2,2N3055,0.567,OL,0.001,0.001,0.568,OL,22,
Q3,MJ2955,OL,0.573,OL,OL,OL,OL,22,
Q4,BC547B,0.655,OL,0.650,OL,0.6S2,OL,,
Q5,BC547B,0.655,OL,0.648,1.205,OL,OL,,
Q6,AC128,OL,0.181,OL,0.176,OL,OL,22,
Q7,BD139,0.652,1.411,0.644,1.398,0.311,0.305,,yes
Q8,BC547B,0.661,OL,0.655,OL,OL,OL,,
Q9,,655,OL,OL,OL,OL,OL,,
"""
_SWEPT = _frozen("sweeps 16") + "\n".join(
    row.replace("S1", tag, 1)
    for tag, name in (("S3", "sweeps 10"), ("S4", "sweeps 9"), ("S5", "sweeps 25"), ("S6", "sweeps 2"))
    for row in _frozen(name, parts=1).splitlines()[1:]
) + "\nS7,AK,0.5,1e-6,,22\n"  # fmt: skip


def _law(tag: str, v, i) -> str:
    """Rows of a sweep by a law written out, 0.1 % and 1 nA of noise on it."""
    noise = np.random.default_rng(len(tag)).standard_normal((2, v.size))
    rows = zip(v, i * (1 + 1e-3 * noise[0]) + 1e-9 * noise[1], strict=True)
    return "".join(f"{tag},AK,{a:.4f},{b:.5g},,25\n" for a, b in rows)


_FORWARD = np.linspace(-1, 0.7, 60)
_BOTH = np.append(np.linspace(-6.08, -5.8, 25), np.linspace(-5.5, 0.72, 60))
_VT = 0.025693  # thermal voltage at 25 degC [V]
_LAWS = "part,junction,v_V,i_A,type,temp_C\n" + _law(
    "lit", _FORWARD, 1e-13 * np.expm1(_FORWARD / _VT) + _FORWARD / 2e3 - 1e-3
) + _law(
    "both", _BOTH, 1e-15 * np.expm1(_BOTH / _VT) + 3e-11 * np.expm1(_BOTH / 2 / _VT)
    - 1e-3 * np.exp(-(_BOTH + 6) / 2 / _VT)
)  # fmt: skip
_SPOTS = "part,polarity,ic_mA,vbe_mV,hFE,temp_C\n"
_FITTED = _SPOTS + "A,NPN,100,600,62,24\nB,NPN,100,606,70,24\nC,NPN,100,615,66,24\nD,NPN,100,601,55,24\n"
_PAIRS = _SPOTS + "P0,NPN,1,612,210,23\nP1,NPN,1,613,214,23\nP2,NPN,1,618,190,23\nP3,NPN,1,611,330,23\n"
_LEDS = "part,A-K,K-A,temp_C\n" + "".join(
    f"L{k},{v},OL,23\n" for k, v in enumerate(("1.912", "1.915", "1.934", "1.921", "1.978"))
)  # fmt: skip
_STAGE = "stage --power 80W --load 8ohm --supply 42V --emitter-resistor 0.22ohm --idle-drop 20mV --parallel 2"
_AROUND = "--power 40W --load 8ohm --supply 35V --emitter-resistor 0.22ohm --idle-drop 20mV"
_CURVES = _frozen("curves 2", parts=2)
_SOUND = "B-E=0.571 E-B=OL B-C=0.562 C-B=OL"
_DRAWER = "part,type,B-E\nA1,MJ15003,0.55\nA2,TIP41C,0.55\nA3,NOSUCH9,0.55\nA4,1N4007,0.55\nA5,2N3055,0.55\n"

CASES = {
    "check good": Case(f"check {_SOUND} C-E=OL E-C=OL --type 2N3055 --hfe 40 --part Q9"),
    "check shorted": Case(f"check {_SOUND} C-E=2mV E-C=2mV --type 2N3055 --part Q2"),
    "check in circuit": Case("check B-E=0.652 E-B=1.411 B-C=0.644 C-B=1.398 --type BD139 --in-circuit"),
    "check numbers": Case("check 1-2=OL 2-1=0.52 1-3=OL 3-1=OL 2-3=OL 3-2=OL"),
    "sort": Case("sort bag.csv sweeps.csv curves.csv",
                 {"bag.csv": _READINGS, "sweeps.csv": _SWEPT, "curves.csv": _CURVES}),
    "fit": Case("fit sweeps.csv curves.csv", {"sweeps.csv": _SWEPT, "curves.csv": _CURVES}),
    "fit laws": Case("fit laws.csv --voltage-accuracy 0%+0.2mV --current-accuracy 0.3%+3nA",
                     {"laws.csv": _LAWS}),
    "match": Case(f"match curves.csv --layout complementary --parallel 1 {_AROUND} --type MJ15003",
                  {"curves.csv": _frozen("curves 2")}),
    "match by hand": Case(f"match spots.csv --parallel 2 {_AROUND} --keep A,C", {"spots.csv": _FITTED}),
    "match pairs": Case("match spots.csv --layout differential --current 1mA", {"spots.csv": _PAIRS}),
    "match string": Case("match leds.csv --layout string --in-set 2 --current 1mA --keep L0,L4",
                         {"leds.csv": _LEDS}),
    "stage": Case(f"{_STAGE} --type MJ15003 --type MJ15004 --amplifier example"),
    "stage drops": Case(f"{_STAGE} --measured-drops 20mV,20mV,21mV,5mV"),
    "stage fitted": Case(
        _STAGE.replace("lel 2", "lel 3 spots.csv --parts A,B,C --measured-drops 31mV,20mV,14mV"),
        {"spots.csv": _FITTED}),
    "substitute": Case("substitute 2N3055 MJ15003 TIP41C --voltage 50V --current 4A --power 40W"
                       " --case-temperature 80C"),
    "substitute from shelf": Case("substitute BD139 --most 3"),
    "substitute from drawer": Case("substitute 2N3055 --bag drawer.csv", {"drawer.csv": _DRAWER}),
    "resistor heat": Case("resistor 0.33ohm --power 5W --part-power 5W --most-parts 3"),
    "resistor reading": Case("resistor 0.22ohm --current 5A --reading 0.3ohm --in-circuit"),
    "resistor without answer": Case("resistor 100 --have 47,56,220 --most-parts 2 --tolerance 2.5%"),
}  # fmt: skip


def result_of(case: Case, folder: Path):
    """What a command line gives, as a `Result`; it runs in the folder, where its files are put first."""
    for name, text in case.files.items():
        (folder / name).write_text(text, encoding="utf-8")
    found, said = [], io.StringIO()
    with (
        contextlib.chdir(folder), mock.patch.dict(os.environ, SOURCE_DATE_EPOCH=EPOCH),
        contextlib.redirect_stderr(said), contextlib.redirect_stdout(said),
        contextlib.suppress(SystemExit),
        mock.patch.object(Outputs, "finish", lambda self, result, **_: found.append(result) or 0),
    ):  # fmt: skip
        main(shlex.split(case.line))
    assert found, said.getvalue()
    return found[0]


def without_pictures(page: str) -> str:
    """A page line by line; drawings are left out but for what they say, stylesheet and script too."""
    page = re.sub(r"<(style|script)\b[^>]*>.*?</\1>", r"<\1></\1>", page, flags=re.S)
    page = re.sub(r"<svg\b.*?</svg>", "<svg></svg>", page, flags=re.S)
    return re.sub(r'(src|srcset)="data:[^"]*"', r'\1="data:..."', page).replace("><", ">\n<")


def written(result) -> dict[str, str]:
    """Everything that a result says, by the name of the file: short, whole, page, tables and JSON."""
    files = {"short.txt": result.text(), "more.txt": result.text(more=True)}
    for name, content in result.contents().items():
        if not name.startswith(("labels", "plots/")):  # labels are kept once, with the job
            files[name] = without_pictures(content) if name.endswith(".html") else content
    text = result.to_json()
    return files | {f"{result.command}.json": text}


def job(results, folder: Path) -> dict[str, str]:
    """The record of a job's folder, its sheet and its labels, after the results in that order."""
    with mock.patch.dict(os.environ, SOURCE_DATE_EPOCH=EPOCH):
        for result in results:
            result.save(folder, job="no. 1207, left channel")
    names = ("job.json", "index.html", "labels-parts-a4.html", "labels-a4.html")
    return {name: without_pictures((folder / name).read_text(encoding="utf-8")) for name in names}
