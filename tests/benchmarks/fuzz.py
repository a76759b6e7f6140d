"""Hostile files and options through the front door, thousands of them.

``python -m tests.benchmarks.fuzz --files 5000 --seed 7`` makes valid files of every form by formulas of its
own, spoils them, and gives each to the commands that take it, in this process.  Every run must end with the
status 0, 1 or 2, without a traceback, a warning or the last resort's line, its complaint one line that names
the file; its JSON must parse without nan, and account for every row.  ``--options`` gives every option of
reference/options.csv a list of absurd values instead.  What fails is printed and kept in ``--keep FOLDER``.

Nothing here uses the package's reading room: a generator that shared its ideas of a file would miss what
it misses.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import io
import json
import math
import random
import sys
import tempfile
import time
import traceback
import warnings
from pathlib import Path

from junction.cli.main import main

REFERENCE = Path(__file__).resolve().parents[2] / "reference"
SORTING = ("sort",)
VT = 0.0257

# --- valid files ------------------------------------------------------------------------------------------


def wide(draw: random.Random) -> list[list[str]]:
    rows = [["part", "type", "B-E", "E-B", "B-C", "C-B", "C-E", "E-C", "hFE", "temp_C"]]
    for k in range(draw.randint(1, 6)):
        be = f"{draw.uniform(0.55, 0.72):.3f}"
        bad = draw.choice([be, be, "0.002", "OL"])
        rows.append([f"Q{k}", draw.choice(["", "2N3055", "BC547B", "TIP41C"]), bad, "OL",
        f"{draw.uniform(0.5, 0.7):.3f}",
                     "OL", draw.choice(["OL", "OL", "34"]), "OL", draw.choice(["", "85", "230"]),
                     draw.choice(["", "23"])])  # fmt: skip
    return rows


def numbered(draw: random.Random) -> list[list[str]]:
    rows = [["part", "1-2", "2-1", "1-3", "3-1", "2-3", "3-2", "note"]]
    for k in range(draw.randint(1, 4)):
        rows.append([f"R{k}", "0.641", "OL", "0.655", "OL", "OL", "OL", "shelf"])
    return rows


def diodes(draw: random.Random) -> list[list[str]]:
    rows = [["part", "A-K (mV)", "K-A", "in_circuit"]]
    for k in range(draw.randint(1, 6)):
        rows.append(
            [
                f"D{k}",
                f"{draw.uniform(200, 720):.0f}",
                draw.choice(["OL", "OL", "0.003 V"]),
                draw.choice(["", "yes"]),
            ]
        )
    return rows


def long(draw: random.Random) -> list[list[str]]:
    rows = [["part", "red", "black", "value"]]
    for k in range(draw.randint(1, 4)):
        for red, black, value in (
            ("B", "E", "0.634"),
            ("E", "B", "OL"),
            ("B", "C", "621 mV"),
            ("C", "B", "OL"),
            ("C", "E", "OL"),
            ("E", "C", "2.2M"),
        ):
            rows.append([f"Q{k}", red, black, value])
    return rows


def sweeps(draw: random.Random) -> list[list[str]]:
    volt, amp = (
        draw.choice([("v_V", 1), ("v_mV", 1e3)]),
        draw.choice([("i_A", 1), ("i_mA", 1e3), ("i_uA", 1e6)]),
    )
    rows = [["part", "junction", volt[0], amp[0], "temp_C"]]
    for k in range(draw.randint(1, 3)):
        saturation, n, shunt = 10 ** draw.uniform(-15, -7), draw.uniform(1, 2), draw.choice([1e5, 1e9, 1e12])
        for step in range(draw.randint(2, 40)):
            v = -2.0 + 0.08 * step
            i = saturation * math.expm1(min(v / n / VT, 40)) + v / shunt
            rows.append(
                [
                    f"S{k}",
                    draw.choice(["BE"] * 20 + ["AK"]) if k else "AK",
                    f"{v * volt[1]:.4f}",
                    f"{i * draw.gauss(1, 0.01) * amp[1]:.5g}",
                    "25",
                ]
            )
    return rows


def curves(draw: random.Random) -> list[list[str]]:
    rows = [["part", "polarity", "vce_V", "vbe_V", "ib_uA", "ic_mA"]]
    for k in range(draw.randint(1, 3)):
        saturation, gain = 10 ** draw.uniform(-14, -11), draw.uniform(20, 400)
        for vce in (1.0, 5.0, 10.0):
            for step in range(draw.randint(2, 7)):
                vbe = 0.5 + 0.04 * step
                ic = saturation * math.exp(vbe / VT) * (1 + vce / 80) * draw.gauss(1, 0.005)
                rows.append(
                    [f"T{k}", "NPN", f"{vce:g}", f"{vbe:.4f}", f"{ic / gain * 1e6:.5g}", f"{ic * 1e3:.5g}"]
                )
    return rows


def spots(draw: random.Random) -> list[list[str]]:
    rows = [["part", "type", "polarity", "vbe_mV", "ic_mA", "hFE", "vce_V", "temp_C"]]
    for k in range(draw.randint(2, 8)):
        kind, polarity = draw.choice([("MJ15003", "NPN"), ("MJ15004", "PNP"), ("", "NPN")])
        rows.append(
            [
                f"P{k}",
                kind,
                polarity,
                f"{draw.gauss(620, 6):.1f}",
                "100",
                f"{draw.gauss(80, 8):.0f}",
                "5",
                "24",
            ]
        )
    return rows


#: Placements that `check` is given cells for.
PLACES = {
    "wide": ("B-E", "E-B", "C-E"), "long": ("B-E", "B-C"), "diodes": ("A-K", "K-A"),
    "numbered": ("1-2", "2-1"),
}  # fmt: skip
FORMS = (wide, numbered, diodes, long, sweeps, curves, spots)

# --- what is done to them ---------------------------------------------------------------------------------

ABSURD = (
    "1e300", "-1e300", "1e-300", "5e-324", "1e308", "-1e308", "1e309", "1e-18", "1e15",
    "99999999999999999999999", "0", "-0",
    "0.0", "-0.6", "1e6", "250000", "-300", "4000", "nan", "NaN", "inf", "-inf", "1_000", "0x1F", "1,234",
    "1.234,5",
    "0,612", "612 mV", "612mA", "0.6 ohm", "4k7", "9G9", "1T0", "0R000001", "OL", "O.L", ">1e300",
    "> 1.999", "1.", "short", "0.612~",
    "1e400 V", "1e300 ohm", "1e-300 ohm", "1e99999999999", "٠٫٦", "１２", "−0.6", "½", "0.6\u00a0V", "=1+1",
    '=HYPERLINK("x")', "@SUM(A1)", "😀", "a\u202eb", "", " ", "-", "--", "#", "#N/A", "#REF!", "'0.6",
    "True", "B", "E", "BE", "AK",
    "NPN", "yes", "x" * 200, "9" * 400, "1e" + "9" * 50, "0." + "0" * 330 + "1", "2N3055", "\x00", "\x07",
    "~", "{}", "%s",
)  # fmt: skip
HEADINGS = ("part", "B-E", "1-2", "A-K", "v_V", "i_A", "i_fA", "i_kA", "v_kV", "v_nV", "ic_A", "vbe_V",
    "hFE", "temp_K", "temp_C", "",
            "x", "B-E (ohm)", "B-E (Mohm)", "A-K [kV]", "v", "i", "junction", "vce_V", "ib_fA", "type",
            "1-2 (T)", "😀", "B-E", "Ref")  # fmt: skip


def cells_absurd(rows, draw):
    """Some cells become what no instrument writes."""
    share = draw.choice([0.02, 0.1, 0.5, 1.0])
    column = draw.choice([None, draw.randrange(len(rows[0]))])
    for row in rows[1:]:
        for k in range(len(row)):
            if column in (None, k) and draw.random() < share:
                row[k] = draw.choice(ABSURD)


def column_absurd(rows, draw):
    """One column holds one absurd value throughout, or is scaled by an absurd factor."""
    k, value, factor = (
        draw.randrange(len(rows[0])),
        draw.choice(ABSURD),
        10.0 ** draw.choice([-300, -100, -20, -9, 9, 15, 100, 300]),
    )
    scale = draw.random() < 0.6
    for row in rows[1:]:
        with contextlib.suppress(ValueError, IndexError):
            row[k] = repr(float(row[k]) * factor) if scale else value


def swapped(rows, draw):
    a, b = draw.randrange(len(rows[0])), draw.randrange(len(rows[0]))
    for row in rows[draw.randint(0, 1) :]:
        if max(a, b) < len(row):
            row[a], row[b] = row[b], row[a]


def headings(rows, draw):
    for _ in range(draw.randint(1, 3)):
        rows[0][draw.randrange(len(rows[0]))] = draw.choice(HEADINGS)


def twice(rows, draw):
    k = draw.randrange(len(rows[0]))
    for row in rows:
        row += row[k : k + 1]


def ragged(rows, draw):
    for row in rows[1:]:
        if draw.random() < 0.3:
            row += ["0.6"] * draw.randint(1, 3) if draw.random() < 0.5 else []
            del row[draw.randrange(1, len(row) + 1) :]


def one_part(rows, draw):
    """All rows are of one part, in any order."""
    for row in rows[1:]:
        row[:1] = ["Q1"]
    body = rows[1:]
    draw.shuffle(body)
    rows[1:] = body


def many_rows(rows, draw):
    rows += [list(draw.choice(rows[1:])) for _ in range(draw.randint(0, 60))] if len(rows) > 1 else []


def alike(rows, draw):
    """All rows but for their part are alike: sweeps without a slope, sets without a difference."""
    for row in rows[2:]:
        row[1:] = rows[1][1:] or row[1:]


def nothing(rows, draw):
    pass


MUTATIONS = (
    cells_absurd, cells_absurd, column_absurd, column_absurd, swapped, headings, twice, ragged, one_part,
    many_rows, alike, nothing,
)  # fmt: skip


def written(rows: list[list[str]], draw: random.Random) -> bytes:
    """The bytes of a file: separators, quotes, decimal commas, line ends, encodings, and bytes flipped."""
    sep = draw.choice([",", ",", ";", "\t", "|", " "])
    if sep == ";" and draw.random() < 0.6:
        rows = [rows[0], *([cell.replace(".", ",") for cell in row] for row in rows[1:])]
    out = io.StringIO()
    quoting = draw.choice([csv.QUOTE_MINIMAL, csv.QUOTE_ALL, csv.QUOTE_NONE])
    end = draw.choice(["\n", "\n", "\r\n", "\r", "\n\n", "\u2028"])
    try:
        csv.writer(
            out, delimiter=sep, quoting=quoting, lineterminator=end, escapechar=draw.choice([None, "\\"])
        ).writerows(rows)
        text = out.getvalue()
    except csv.Error:
        text = end.join(sep.join(row) for row in rows)
    trick = draw.random()
    if trick < 0.05:
        text = "sep=" + sep + "\n" + text
    elif trick < 0.1:
        text = "# a comment\n\n" + text
    elif trick < 0.13:
        text = text + text  # headings in the middle
    elif trick < 0.16:
        text = text.replace(sep, sep + '"', draw.randint(1, 3))
    elif trick < 0.18:
        text = text[: draw.randrange(len(text) + 1)]
    encoding = draw.choice(
        ["utf-8"] * 6 + ["utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252", "latin-1", "utf-7"]
    )
    data = text.encode(
        encoding, "surrogatepass" if encoding.startswith("utf") and encoding != "utf-7" else "replace"
    )
    if draw.random() < 0.15 and data:
        data = bytearray(data)
        for _ in range(draw.choice([1, 3, 30])):
            at = draw.randrange(len(data))
            data[at] = draw.choice(
                [0, 10, 13, 34, 44, 255, draw.randrange(256), data[at] ^ (1 << draw.randrange(8))]
            )
        data = bytes(data)
    return data


def hostile(draw: random.Random) -> tuple[str, bytes]:
    """A spoiled file: what it was before, and its bytes."""
    form = draw.choice(FORMS)
    rows = form(draw)
    for _ in range(draw.choice([0, 1, 1, 2, 3])):
        draw.choice(MUTATIONS)(rows, draw)
    return form.__name__, written(rows, draw)


# --- the front door ---------------------------------------------------------------------------------------


class Failed(AssertionError):
    """What a run did that none may."""


def run(words: list[str]) -> tuple[int, str, str]:
    """Status and what was printed of one command; a warning is an error, an escaped exception a failure."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            status = main(list(words))
        except SystemExit as end:
            status = 2 if end.code is None else end.code
        except BaseException:
            raise Failed("escaped:\n" + traceback.format_exc()) from None
    return status, out.getvalue(), err.getvalue()


def _no_nan(word: str):
    raise Failed(f"{word} in the JSON")


def judged(words: list[str], name: str = "", json_at: Path | None = None) -> tuple[int, dict | None]:
    """Run a command and hold it to what every run must keep; its status and its JSON.

    Raises
    ------
    Failed
        With what was broken.
    """
    if json_at is not None:
        json_at.unlink(missing_ok=True)
    status, _, err = run([*words, *(["--json", str(json_at)] if json_at else [])])
    if status not in (0, 1, 2):
        raise Failed(f"status {status}")
    if "JUNCTION_TRACE" in err or "Traceback" in err or "Warning" in err:
        raise Failed(f"not foreseen: {err}")
    if status == 2:
        lines = [line for line in err.split("\n") if line]
        if len(lines) != 1:
            raise Failed(f"{len(lines)} lines of complaint: {err}")
        if not lines[0].startswith("junction"):
            raise Failed(f"a complaint without its command: {err}")
        if name and name not in lines[0]:
            raise Failed(f"a complaint that does not name the file: {err}")
        if json_at is not None and json_at.exists():
            raise Failed("nothing done, but a JSON was written")
        return status, None
    if json_at is None:
        return status, None
    found = json.loads(json_at.read_text("utf-8"), parse_constant=_no_nan)
    out = found["set_aside"]
    if (status == 1) != bool(out):
        raise Failed(f"status {status} with {len(out)} entries set aside")
    for entry in out:
        if name and (name not in entry["file"] or not entry["reason"] or "\n" in entry["reason"]):
            raise Failed(f"an entry without its file, its reason, or in several lines: {entry}")
    return status, found


def _listed(given) -> list:
    return [given] if isinstance(given, dict) else given or []


def rows_of(found: dict) -> None:
    """Hold the JSON of a sort to its sum: what was used and what was set aside are what was read."""
    gone = sum(entry["rows"] for entry in found["set_aside"])
    if not 0 <= gone <= found["rows_read"]:
        raise Failed(f"{gone} rows set aside of {found['rows_read']}")
    kept = [one for part in found["parts"] for key in ("sweeps", "curves") for one in _listed(part.get(key))]
    points = sum(one["points"] for one in kept)
    readings = any("readings" in (p.get("basis") or "") for p in found["parts"])
    if points and not readings and points != found["rows_read"] - gone:
        raise Failed(f"{points} points and {gone} rows set aside of {found['rows_read']}")


def commands_for(form: str, path: Path, data: bytes, draw: random.Random) -> list[list[str]]:
    """Commands that take a file of this form; the readings of `check` are cells of it."""
    found = [["sort", str(path)]]
    if form in ("sweeps", "curves", "spots"):
        found.append(["fit", str(path)])
    if form in ("spots", "curves"):
        found.append(["match", str(path), "--emitter-resistor", "0.22ohm", "--idle-current", "200mA"])
    if form in ("diodes", "sweeps"):
        found.append(["match", str(path), "--layout", "ring", "--current", "1mA"])
    if form in PLACES:
        text = data.decode("utf-8", "replace").replace("\0", "")
        cells = [cell.strip('"\r ') for cell in text.replace(";", ",").replace("\n", ",").split(",")]
        found.append(["check", *(f"{place}={draw.choice(cells)}" for place in PLACES[form])])
    return found


def other_doors(path: Path) -> list[list[str]]:
    """Options that take a file: they get one that is none of theirs."""
    name = str(path)
    return [["substitute", "2N3055", "--bag", name], ["resistor", "10ohm", "--have", name],
            ["sort", name, "--types", name], ["substitute", "--needs", name]]  # fmt: skip


def try_file(words: list[str], path: Path, to: Path) -> int:
    """One command on a hostile file, with its JSON; its status."""
    status, found = judged(words, path.name if words[0] in ("sort", "fit") else "", to)
    if found and words[0] == "sort":
        rows_of(found)
    return status


# --- options ----------------------------------------------------------------------------------------------

VALUES = (
    "1e300", "-1e300", "1e-300", "5e-324", "-5e-324", "1e308", "1e309", "0", "-0", "-1", "nan", "inf",
    "-inf", "1e15", "1e-15", "",
    " ", "OL", "x", "1_000", "1e99999", "9" * 400, "(" * 100_000, "1," * 5000 + "1", "٣", "１", "−1", "😀",
    "\x07", "%s", "=1", "1e6",
    "1000000", "1 000", "0x10", "1,5", "1.5.2", "50%", "1e300%", "-5%", "5%+1e300V", "5%+1e-300V", "0%+0V",
    "1e-300%+0A", "0%+1e-300A", "5%+0A", "0%+1e3V",
)  # fmt: skip
UNITS = {"voltage": "V", "current": "A", "resistance": "ohm", "power": "W", "temperature": "C",
    "frequency": "Hz",
         "thermal resistance": "K/W", "ratio": "%", "degrees": "degrees", "K": "K"}  # fmt: skip
#: How each command is called so that one option more is a run.
CALLS = {
    "check": ["check", "B-E=0.642", "E-B=OL"], "stage": ["stage", "--power", "80W", "--load", "8ohm",
    "--supply", "42V"],
    "substitute": ["substitute", "2N3055"], "resistor": ["resistor", "100ohm", "--reading", "131ohm"],
    "sort": ["sort", "{wide}"], "fit": ["fit", "{sweeps}"], "match": ["match", "{spots}",
    "--emitter-resistor", "0.22ohm"],
}  # fmt: skip


def option_calls(folder: Path):
    """Every option of every command with every absurd value."""
    draw = random.Random(1)
    places = {}
    for form in (wide, sweeps, spots):
        places[form.__name__] = str(folder / f"{form.__name__}.csv")
        Path(places[form.__name__]).write_text("\n".join(",".join(row) for row in form(draw)), "utf-8")
    lines = [
        line
        for line in (REFERENCE / "options.csv").read_text("utf-8").split("\n")
        if not line.startswith("#")
    ]
    for row in csv.DictReader(lines):
        if row["kind"] == "flag" or row["option"] in ("bag", "record") and row["jobs"] == "check":
            continue
        long_, unit = "--" + row["option"].replace("_", "-"), UNITS.get(row["quantity"], "")
        for job in row["jobs"].split():
            if job not in CALLS:
                continue
            call = [word.format(**places) for word in CALLS[job]]
            call = [w for w in call if job != "stage" or row["option"] not in ("power", "load", "supply")]
            if job == "stage" and row["option"] in ("power", "load", "supply"):
                call = [
                    "stage",
                    *(["--power", "80W"] if row["option"] != "power" else []),
                    *(["--load", "8ohm"] if row["option"] != "load" else []),
                ]
            for value in VALUES:
                yield [*call, f"{long_}={value}"]
                if unit and value[:1] in "-0123456789" and not value.endswith(("V", "A", "%")):
                    yield [*call, f"{long_}={value}{unit}"]


POSITIONALS = [
    *(["resistor", f"{value}{unit}"] for value in VALUES for unit in ("", "ohm", "k")),
    *(["resistor", "4k7", f"--have={value}ohm"] for value in VALUES),
    *(["resistor", "1kohm", f"--have={value}x10ohm"] for value in VALUES),
    *(["check", f"{place}={value}{unit}"] for value in VALUES for place in ("B-E", "A-K",
    "1-2") for unit in ("", "V", "ohm", "mV")),
    *(["check", "B-E=0.6", f"E-B={value}ohm", "B-C=0.6"] for value in VALUES),
    *(["substitute", f"--load-point={value}V,{value}A"] for value in VALUES),
    *(["substitute", value, value] for value in VALUES), *(["sort",
    value] for value in VALUES if value.strip()),
    *(["stage", "--measured-drops", f"{value}V,20mV", "--emitter-resistor", "0.22ohm", "--parallel",
    "2"] for value in VALUES),
    *(["stage", "--output-voltage", f"{value}{kind}", "--load",
    "8ohm"] for value in VALUES for kind in ("Vpk", "Vpp", "Vrms")),
]  # fmt: skip


def calls(folder: Path):
    """All calls with absurd values, options first."""
    yield from option_calls(folder)
    yield from (words for words in POSITIONALS if "\0" not in "".join(words))


def run_all() -> int:
    """Run what the command line asks for; how many failed."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--files", type=int, default=2000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--options", action="store_true")
    parser.add_argument("--keep", type=Path)
    asked = parser.parse_args()
    failed, number, began, slow = 0, 0, time.process_time(), (0.0, "")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        if asked.options:
            jobs = (
                (" ".join(w[:90] for w in words), b"", lambda words=words: judged(words, "", None))
                for words in calls(folder)
            )
        else:

            def files():
                path, to = folder / "hostile.csv", folder / "out.json"
                for k in range(asked.files):
                    draw = random.Random(f"{asked.seed}/{k}")
                    form, data = hostile(draw)
                    path.write_bytes(data)
                    for words in commands_for(form, path, data, draw):
                        told = f"{form} {asked.seed}/{k} {words[0]}"
                        yield told, data, lambda words=words: try_file(words, path, to)
                    for words in other_doors(path) if k % 20 == 0 else ():
                        yield f"{form} {asked.seed}/{k} {words[0]}", data, lambda words=words: judged(words)

            jobs = files()
        for told, data, job in jobs:
            number += 1
            start = time.process_time()
            try:
                job()
            except Failed as error:
                failed += 1
                print(f"--- {told}\n{str(error)[-1500:]}", flush=True)
                if asked.keep and data:
                    asked.keep.mkdir(exist_ok=True)
                    (asked.keep / f"{told.replace('/', '_').replace(' ', '_')}.csv").write_bytes(data)
            took = time.process_time() - start
            slow = max(slow, (took, told))
    print(
        f"{number} runs, {failed} failed, {time.process_time() - began:.1f} s;"
        f" slowest {slow[0]:.2f} s: {slow[1]}"
    )
    return failed


if __name__ == "__main__":
    sys.exit(min(run_all(), 1))
