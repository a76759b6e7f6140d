"""Random small files, good and bad cells mixed: no traceback, no warning, every row accounted for."""

import json
import math
import random

import pytest

from junction.cli.main import main
from junction.show.blocks import visible
from tests.show.trace import untraced

CELLS = ["0.6", "0.612", "OL", "", "612 mV", "34", "34 ohm", "2.2M", "-0.1", "1e999", "nan", "=1", "0,6", "x",
         "0.001", "1.9", "-", "---", "5", "0"]  # fmt: skip
HEADINGS = ["B-E", "E-B", "B-C", "C-B", "C-E", "E-C", "1-2", "2-1", "A-K", "K-A", "type", "polarity",
            "temp_C", "in_circuit", "note", "hFE", "ic_mA", "vbe_mV"]  # fmt: skip
TYPES = ["2N3055", "1N4148", "", "ZZZ", "BC547B"]


def wide(rng):
    headings = rng.sample(HEADINGS, rng.randint(1, 8))
    lines = [",".join(["part", *headings])]
    for _ in range(rng.randint(1, 6)):
        name = rng.choice(["A", "B", "C\x1b", "=", " "]) + str(rng.randint(0, 3))
        cells = [rng.choice(TYPES if h == "type" else ["NPN", "PNP", "", "x"] if h == "polarity" else CELLS)
                 for h in headings]  # fmt: skip
        lines.append(",".join([name, *cells]))
    return lines


def sweeps(rng):
    laws = {
        "junction": lambda v: 1e-14 * math.exp(min(v, 1.0) / 0.026), "short": lambda v: v / 3.0,
        "leak": lambda v: v / 1e5, "noise": lambda v: rng.gauss(0, 1), "nothing": lambda v: 0.0,
        "flat": lambda v: 1e-3, "backwards": lambda v: -1e-14 * math.exp(min(-v, 1.0) / 0.026),
    }  # fmt: skip
    lines = ["part,junction,v_V,i_A"]
    for part in range(rng.randint(1, 4)):
        count, law = rng.choice([1, 2, 3, 5, 8, 20, 60]), laws[rng.choice(list(laws))]
        junction = rng.choice(["BE", "BC", "CE", "AK"])
        for k in range(count):
            v = -2 + 3 * k / max(1, count - 1) if rng.random() < 0.98 else rng.choice([1e6, -1e6, 0.0])
            lines.append(f"P{part},{junction},{v:.6g},{law(v):.6g}")
    return lines


@pytest.mark.parametrize("seed", range(12))
def test_any_file(tmp_path, capsys, seed):
    rng = random.Random(seed)
    lines = rng.choice([wide, sweeps])(rng)
    path = tmp_path / "any.csv"
    path.write_text("\n".join(lines) + "\n")
    folder = tmp_path / "r"
    status = main(["sort", str(path), "-o", str(folder), "--plots", "1"])
    out, err = capsys.readouterr()
    assert "\x1b" not in out + err
    if status == 2:
        assert err.startswith("junction sort: ") and err.count("\n") == 1 and not folder.exists()
        return
    text = (folder / "sort.json").read_text()
    report = json.loads(text, parse_constant=pytest.fail)
    assert status == (1 if report["set_aside"] else 0)
    assert report["rows_read"] == len(lines) - 1
    # the intake shows an escape character as its picture
    named = {line.split(",")[0].strip().replace("\x1b", "\u241b") for line in lines[1:]}
    assert {p["part"] for p in report["parts"]} <= named
    for part in report["parts"]:
        assert sum(part["probability"].values()) == pytest.approx(1.0, abs=1e-6)
    assert untraced((folder / "sort.html").read_text(), text, visible) == []
