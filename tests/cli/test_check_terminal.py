"""A whole sitting typed at a pseudo-terminal, as a new user would."""

import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def heard():
    """In the child: an interrupt is heard even where this run was started with interrupts ignored."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


class Terminal:
    """A child at a pseudo-terminal: read what it shows, type lines, send control characters."""

    def __init__(self, *words, cwd):
        self.master, slave = pty.openpty()
        env = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "dumb", "COLUMNS": "80"}
        self.child = subprocess.Popen(
            [sys.executable, "-m", "junction", "check", *words], stdin=slave, stdout=slave, stderr=slave,
            cwd=cwd, env=env, start_new_session=True, preexec_fn=heard,
        )  # fmt: skip
        os.close(slave)
        self.seen = ""

    def until(self, pattern, seconds=60.0):
        """Read until the pattern shows in what came since the last line typed."""
        end = time.monotonic() + seconds
        while not re.search(pattern, self.seen):
            ready, _, _ = select.select([self.master], [], [], max(0.0, end - time.monotonic()))
            assert ready, f"waited for {pattern!r}, saw {self.seen!r}"
            try:
                data = os.read(self.master, 65536)
            except OSError:  # the child closed its end
                data = b""
            assert data, f"ended before {pattern!r}, saw {self.seen!r}"
            self.seen += data.decode()
        return self.seen

    def line(self, text):
        self.seen = ""
        os.write(self.master, text.encode() + b"\n")

    def end(self):
        """Everything shown up to the end, and the exit status."""
        while True:
            ready, _, _ = select.select([self.master], [], [], 60.0)
            assert ready, f"waited for the end, saw {self.seen!r}"
            try:
                data = os.read(self.master, 65536)
            except OSError:
                break
            if not data:
                break
            self.seen += data.decode()
        os.close(self.master)
        return self.child.wait(30), self.seen


PROMPT = r"red (\w), black (\w): $"
READINGS = {("1", "2"): "OL", ("2", "1"): "0.661", ("2", "3"): "655 mV", ("3", "2"): "OL",
            ("1", "3"): "OL", ("3", "1"): "OL"}  # fmt: skip


def test_a_whole_sitting(tmp_path):
    t = Terminal("--record", "bench.csv", "--part", "Q12", cwd=tmp_path)
    assert "DANGER:" in t.until("leads known.*: $")
    t.line("")
    assert "bench.csv" in t.until(PROMPT)
    t.line("?")
    assert "undo" in t.until(PROMPT)
    t.line("banana")
    assert "not taken" in t.until(PROMPT)
    asked = settled = 0
    corrected = False
    while asked < 6:
        shown = t.until(PROMPT)
        if "settled" in shown and not settled:
            settled = asked
        if "; Enter ends, or sharpen" in shown:
            t.line("")
            break
        pair = re.search(PROMPT, shown).groups()
        if asked == 1 and not corrected:  # a slip of the finger, taken back
            t.line("0.01")
            t.until(PROMPT)
            t.line("undo")
            corrected = True
            t.until("taken back")
            continue
        t.line(READINGS[pair])
        assert "so far" in t.until(r"so far.*\n")
        asked += 1
    assert corrected
    assert 3 <= settled <= 5  # what it is shows before all six are read
    status, shown = t.end()
    assert status == 0
    assert "GOOD" in shown and "2 is the base" in shown and "NPN" in shown
    rows = (tmp_path / "bench.csv").read_text().splitlines()
    assert len(rows) == 2 and rows[1].startswith("Q12,")
    assert "0.661 V" in rows[1] and "0.01 V" not in rows[1]


def test_correction_skip_and_list(tmp_path):
    t = Terminal("--leads", "BCE", cwd=tmp_path)
    t.until(PROMPT)
    t.line("B-E=0.1")
    t.until(PROMPT)
    t.line("B-E=0.655")
    assert "corrected from 0.1 V to 0.655 V" in t.until(PROMPT)
    first = re.search(PROMPT, t.seen).groups()
    t.line("skip")
    assert re.search(PROMPT, t.until(PROMPT)).groups() != first
    t.line("list")
    assert "B-E 0.655 V" in t.until(PROMPT)
    t.line("1-2=0.6")
    assert "not taken" in t.until(PROMPT)
    t.line("done")
    status, shown = t.end()
    assert status == 0 and "UNDECIDED" in shown


def test_interrupt_keeps_what_was_typed(tmp_path):
    t = Terminal("--leads", "BCE", "--record", "bench.csv", cwd=tmp_path)
    t.until(PROMPT)
    t.line("B-E=0.655")
    t.until(PROMPT)
    t.seen = ""
    os.killpg(t.child.pid, signal.SIGINT)
    status, shown = t.end()
    assert status == 0
    assert "typed so far" in shown and "UNDECIDED" in shown
    assert "0.655 V" in (tmp_path / "bench.csv").read_text()


def test_control_d_at_once(tmp_path):
    t = Terminal(cwd=tmp_path)
    t.until("leads known.*: $")
    os.write(t.master, b"\x04")
    status, shown = t.end()
    assert status == 2 and "nothing was done" in shown
    assert list(tmp_path.iterdir()) == []
