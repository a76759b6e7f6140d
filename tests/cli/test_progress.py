"""How far a long work has come: on a terminal's standard error, one line, gone at the end."""

import os
import pty
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from junction.base.progress import tell, told_to

ROOT = Path(__file__).resolve().parents[2]
#: The command line as it is, but that the two seconds are none, and every word is shown: a quick machine fits
#: the three sweeps between two of them.
RUN = (
    "import sys; from junction.cli import main, output; output.PROGRESS_AFTER_S = float(sys.argv[1]); "
    "output.PROGRESS_EVERY_S = 0.0; "
    "sys.exit(main.main(sys.argv[2:]))"
)


@pytest.fixture
def bag(tmp_path):
    v = np.linspace(-1.0, 0.7, 40)
    rows = [f"D{k},AK,{x:.4f},{1e-13 * np.expm1(x / 0.0257) + 1e-9 * np.cos(37 * n + k):.5g}"
            for k in range(3) for n, x in enumerate(v)]  # fmt: skip
    (tmp_path / "bag.csv").write_text("part,junction,v_V,i_A\n" + "\n".join(rows) + "\n")
    return tmp_path / "bag.csv"


def run(bag, command, after, stderr):
    words = [sys.executable, "-c", RUN, str(after), command, str(bag)]
    env = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=stderr, env=env, cwd=bag.parent)


def at_a_terminal(bag, command, after):
    master, slave = pty.openpty()
    child, seen = run(bag, command, after, slave), b""
    os.close(slave)
    while True:
        try:
            data = os.read(master, 4096)
        except OSError:  # the child closed its end
            break
        if not data:
            break
        seen += data
    os.close(master)
    text = child.communicate()[0].decode()
    return child.returncode, text, seen.decode()


@pytest.mark.parametrize("command", ["sort", "fit"])
def test_one_line_overwritten_and_cleaned_away(bag, command):
    status, text, seen = at_a_terminal(bag, command, 0)
    assert status == 0 and "fitting" not in text
    *shown, blank, rest = seen.split("\r")
    assert "fitting 3 of 3 sweeps" in [line.strip() for line in shown]
    assert "\n" not in seen and rest == "" and blank == " " * len(blank) and len(blank) >= len(shown[-1])


def test_nothing_before_two_seconds_nor_without_a_terminal(bag):
    assert at_a_terminal(bag, "sort", 60)[2] == ""
    child = run(bag, "sort", 0, subprocess.PIPE)
    assert child.communicate()[1] == b"" and child.returncode == 0


def test_a_listener_hears_only_while_it_listens():
    heard = []
    with told_to(heard.append):
        tell("fitting", 4200, 10_000, "sweeps")
    tell("fitting", 4300, 10_000, "sweeps")
    assert heard == ["fitting 4,200 of 10,000 sweeps"]
