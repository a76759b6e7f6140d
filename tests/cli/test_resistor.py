"""``junction resistor`` as a user meets it."""

import json

import pytest

from junction.cli.main import main


def run(capsys, *words):
    try:
        status = main(["resistor", *words])
    except SystemExit as stop:
        status = stop.code
    out = capsys.readouterr()
    return status, out.out, out.err


def answer(capsys, *words):
    status, out, _ = run(capsys, *words, "--json", "-")

    def refuse(word):
        raise AssertionError(word)

    assert status == 0
    return json.loads(out, parse_constant=refuse)


def test_a_stock_value_is_said_to_be_one(capsys):
    status, out, err = run(capsys, "0.22ohm")
    assert (status, err) == (0, "") and "It is a stock value." in out
    assert max(map(len, out.splitlines())) <= 80 and "Caution:" in out


def test_nearest_and_networks(capsys):
    data = answer(capsys, "0.25ohm", "--series", "E12")
    assert data["nearest_ohm"] == [0.22, 0.27] and data["tolerance"] == 0.1
    # two 0.5s are not in E12, 0.1 + 0.15 is
    assert any(sorted(n["parts_ohm"]) == [0.1, 0.15] and abs(n["error"]) < 1e-9 for n in data["networks"])


def test_power_and_a_drawer(capsys):
    data = answer(capsys, "8ohm", "--have", "8.2ohm,33ohm", "--power", "20W", "--part-power", "11W")
    assert all(n["hottest_W"] <= 5.5 + 1e-9 for n in data["networks"])
    assert {tuple(n["parts_ohm"]) for n in data["networks"]} >= {(8.2,) * 4, (33.0,) * 4}
    _, out, _ = run(capsys, "8ohm", "--have", "8.2ohm", "--power", "20W", "--part-power", "5W")
    assert "No network of 5 W parts does" in out


def test_sharing(capsys):
    data = answer(capsys, "0.22ohm", "--tolerance", "5%", "--current", "1A")
    assert data["effect"]["drop_V"] == pytest.approx(0.22)
    assert 0.04 < data["effect"]["imbalance"] < 0.05


@pytest.mark.parametrize(
    ("words", "state"),
    [(("--reading", "101ohm"), "fine"), (("--reading", "131ohm", "--in-circuit"), "drifted"),
     (("--reading", "OL"), "open"), (("--reading", "0.25k"), "burnt"),
     (("--reading", "60ohm", "--in-circuit"), "undecided"), (("--reading", "60ohm"), "drifted")],
)  # fmt: skip
def test_readings(capsys, words, state):
    assert answer(capsys, "100ohm", *words)["reading"]["state"] == state
    status, out, _ = run(capsys, "100ohm", *words)
    assert status == 0 and f": {state}." in out.split("\n\n")[0].replace("\n", " ")
    assert ("parallel path" in out) == ("--in-circuit" in words)


def test_files(capsys, tmp_path):
    status, _, _ = run(capsys, "0.25ohm", "--reading", "0.3ohm", "-o", str(tmp_path / "r"))
    assert status == 0
    names = sorted(p.name for p in (tmp_path / "r").iterdir())
    assert names == ["resistor.csv", "resistor.html", "resistor.json"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("5",), "no unit"), (("5V",), "voltage"), (("0ohm",), "above 0"), ((), "VALUE"),
        (("5ohm", "--series", "E7"), "E24"), (("5ohm", "--tolerance", "5"), "percent sign"),
        (("5ohm", "--tolerance", "60%"), "below 50"), (("5ohm", "--part-power", "5W"), "--power"),
        (("5ohm", "--have", "1"), "no unit"), (("5ohm", "--reading", "x"), "x"),
        (("5ohm", "--most-parts", "5"), "--most-parts"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said(capsys, words, message):
    status, out, err = run(capsys, *words)
    assert (status, out) == (2, "") and message in err
    assert len([x for x in err.splitlines() if not x.startswith(("usage:", " "))]) == 1


def test_readings_of_other_meters(capsys):
    low = answer(capsys, "0.22ohm", "--reading", "0.2205ohm", "--meter-resolution", "0.0001ohm",
                 "--meter-accuracy", "0.5%")  # fmt: skip
    assert low["reading"]["state"] == "fine"
    assert answer(capsys, "0.22ohm", "--reading", "0.2ohm")["reading"]["state"] == "undecided"


def test_why_the_stock_value_is_not_among_the_networks(capsys):
    words = ("0.33ohm", "--power", "5W", "--part-power")
    _, out, _ = run(capsys, *words, "5W")
    flat = " ".join(out.split())
    # half rating (common practice): 5 W in one part asks for 10 W
    assert "One 0.33 ohm alone would carry all of it and need a rating of 10 W" in flat and "left out" in flat
    assert answer(capsys, *words, "5W")["alone_rating_W"] == 10.0
    _, out, _ = run(capsys, *words, "10W")
    assert "left out" not in out and out.split("\n\n")[1].splitlines()[2].startswith("0.33 ohm")
    # no stock value: nothing to say
    _, out, _ = run(capsys, "0.34ohm", "--power", "5W", "--part-power", "5W")
    assert "left out" not in out


def test_an_emitter_resistor_read_high_in_circuit(capsys):
    _, out, _ = run(capsys, "0.22ohm", "--reading", "0.4ohm", "--in-circuit")
    flat = " ".join(out.split())
    assert "undecided" in flat and "probe tips together" in flat and "lift one lead" not in flat
