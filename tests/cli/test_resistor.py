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
    status, out, err = run(capsys, "0.22ohm", "--more")
    assert (status, err) == (0, "") and out.startswith("0.22 Ω is a stock value: one part does.")
    assert max(map(len, out.splitlines())) <= 80 and "Caution:" in out


def test_nearest_and_networks(capsys):
    data = answer(capsys, "0.25ohm", "--series", "E12")
    assert data["nearest_ohm"] == [0.22, 0.27] and data["tolerance"] == 0.1
    # two 0.5s are not in E12, 0.1 + 0.15 is
    assert any(sorted(n["parts_ohm"]) == [0.1, 0.15] and abs(n["error"]) < 1e-9 for n in data["networks"])


def test_power_and_a_drawer(capsys):
    data = answer(capsys, "8ohm", "--have", "8.2ohm,33ohm", "--power", "20W", "--part-power", "11W")
    assert all(n["hottest_W"] <= 11 + 1e-9 for n in data["networks"])
    assert {tuple(n["parts_ohm"]) for n in data["networks"]} >= {(8.2,) * 4, (33.0,) * 4}
    assert data["networks"][0]["rating_W"] == pytest.approx(10) and data["networks"][0]["used"] < 0.5
    _, out, _ = run(capsys, "8ohm", "--have", "3x8.2ohm", "--power", "20W", "--part-power", "5W")
    assert "No network of 5 W parts does" in out


@pytest.mark.parametrize(
    ("have", "parts"),
    [("2x1ohm,0.47ohm", (1, 1, 0.47)), ("0.22,0.33", (0.22, 0.33)), ("0,22ohm;0,33ohm", (0.22, 0.33)),
     ("47,56,220", (47, 56)), ("3R9,10R", (3.9, 10)), ("4,7k,10k", (4700, 10000)),
     ("3,9ohm,10ohm", (3.9, 10)), ("2 x 4k7", (4700, 4700)), ("8,2;15", (8.2, 15))],
)  # fmt: skip
def test_lists_as_people_write_them(capsys, have, parts):
    data = answer(capsys, f"{sum(parts):.6g}", "--have", have)
    assert any(sorted(n["parts_ohm"]) == sorted(parts) and abs(n["error"]) < 1e-9 for n in data["networks"])


def test_a_drawer_in_a_file(capsys, tmp_path):
    drawer = tmp_path / "drawer.csv"
    drawer.write_text("ohm;count;watt\n1;8;10\n4k7;;0,25\n", encoding="utf-8")
    data = answer(capsys, "8", "--have", str(drawer), "--power", "50")
    best = data["networks"][0]
    assert best["parts_ohm"] == [1.0] * 8 and best["used"] == pytest.approx(0.625)
    for text, said in (("ohm,count\n1,2\n1,3\n", "line 3, column 'ohm'"),
                       ("ohm,count\n1,2.5\n", "column 'count'"), ("ohm,color\n1,red\n", "color"),
                       ("ohm\n4.7A\n", "line 2"), ("ohm\n", "no resistor"),
                       ("value\n3\n", "lacks ohm")):  # fmt: skip
        drawer.write_text(text, encoding="utf-8")
        status, out, err = run(capsys, "8", "--have", str(drawer))
        assert (status, out) == (2, "") and said in err and "drawer.csv" in err, (text, err)


def test_the_first_lines_answer(capsys):
    """The class of: nested networks; a stock part at its rating; a dummy load of equal parts."""
    one = "is a stock value: one part does."
    for words, first, at_most in (
        ("15.51", "15.51 Ω: 0.51 + 15 Ω, exactly.", 20),
        ("0.33ohm --power 5W --part-power 5W", f"0.33 Ω 5 W {one}", 20),
        ("0.33 --power 5 --part-power 10", f"0.33 Ω 10 W {one}", 10),
        ("12,04", f"12.04 Ω: 12 Ω (-0.33 %) {one}", 10),
        ("8ohm --power 50W --part-power 10W", "8 Ω: 10 x 20 Ω, 5 strings of 2, exactly.", 21),
        ("8 --have 8x1 --power 50 --part-power 10", "8 Ω: 8 x 1 Ω in series, exactly.", 20),
        ("100 --have 47,56,220 --most-parts 2", "100 Ω: 47 + 56 Ω, which is 103 Ω (+3 %).", 20),
    ):
        status, out, err = run(capsys, *words.split())
        assert (status, err) == (0, "") and out.splitlines()[0] == first
        assert len(out.splitlines()) <= at_most and max(map(len, out.splitlines())) <= 80, out


def test_what_a_fault_leaves_is_told(capsys):
    _, out, _ = run(capsys, "8", "--have", "8x1", "--power", "50", "--part-power", "10")
    assert "If one opens, the whole is open; if one shorts, 7 Ω is left." in " ".join(out.split())
    _, out, _ = run(capsys, *"8 --have 64ohm --most-parts 8 --power 50 --part-power 7W".split())
    flat = " ".join(out.split())
    # 64/7 = 9.14 Ω; 2.5 A^2 x 9.14 Ω over seven: 8.16 W
    assert "If one opens, 9.14 Ω is left" in flat and "a part would get 8.16 W at the same current" in flat


def test_the_voltage_over_a_part_is_told(capsys):
    # 1 W in 1 MΩ: 1000 V across it
    _, out, _ = run(capsys, "1M", "--power", "1", "--have", "1M")
    assert "1 MΩ has 1000 V across it" in " ".join(out.split()) and "wants a rating of 2 W" in out
    _, out, _ = run(capsys, "1k", "--power", "1", "--have", "1k")
    assert "across it" not in out


def test_leads_taken_off_the_reading(capsys):
    status, out, _ = run(capsys, "0R22", "--reading", "0.4", "--lead-zero", "0.2")
    flat = " ".join(out.split())
    assert status == 0 and "reading 0.4 Ω, 0.2 Ω without the probes' 0.2 Ω: undecided." in flat
    assert "at 1 A a good one drops 0.22 V" in flat
    status, out, err = run(capsys, "0R22", "--reading", "0.4", "--lead-zero", "0.6")
    assert (status, out) == (2, "") and "read both again" in err
    assert answer(capsys, "0R22", "--reading", "0.4", "--lead-zero", "0.5")["reading"]["corrected_ohm"] == 0


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
    status, out, _ = run(capsys, "100ohm", *words, "--more")
    assert status == 0 and f": {state}." in out.split("\n\n")[0].replace("\n", " ")
    assert ("parallel path" in out) == ("--in-circuit" in words)


def test_files(capsys, tmp_path):
    status, _, _ = run(capsys, "0.25ohm", "--reading", "0.3ohm", "-o", str(tmp_path / "r"))
    assert status == 0
    names = sorted(p.name for p in (tmp_path / "r").iterdir())
    assert names == ["index.html", "job.json", "resistor.csv", "resistor.html", "resistor.json"]


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("5V",), "voltage"), (("4,700",), "4700"), (("5", "--tolerance", "0.05"), "percent sign"),
        (("5", "--have", "0,1,0,22"), "one value or two"), (("5", "--have", "4,7,10"), "semicolons"),
        (("5", "--have", "0x1ohm"), "none of them"),
        (("5", "--lead-zero", "0.1"), "--reading"), (("0ohm",), "above 0"),
        ((), "Write junction resistor 0.22ohm"),
        (("5ohm", "--series", "E7"), "E24"), (("5ohm", "--tolerance", "0"), "percent sign"),
        (("5ohm", "--tolerance", "60%"), "below 50"), (("5ohm", "--part-power", "5W"), "--power"),
        (("5ohm", "--have", "1A"), "current"), (("5ohm", "--reading", "x"), "x"),
        (("5ohm", "--most-parts", "101"), "--most-parts"), (("5", "--power", "5V"), "voltage"),
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


def test_a_rating_exactly_met_is_allowed_and_said(capsys):
    words = ("0.33ohm", "--power", "5W", "--part-power")
    _, out, _ = run(capsys, *words, "5W")
    flat = " ".join(out.split())
    # half rating (common practice): 5 W in one part asks for 10 W
    assert "It runs at 100 % of its rating, which is allowed" in flat and "a 10 W part, or as below" in flat
    data = answer(capsys, *words, "5W")
    assert data["alone_rating_W"] == 10.0 and data["networks"][0]["parts_ohm"] == [0.33]
    _, out, _ = run(capsys, *words, "10W")
    assert "allowed" not in out and "parts " not in out
    _, out, _ = run(capsys, *words, "4W")
    assert "One 0.33 Ω alone would carry all of it and need a rating of 10 W" in " ".join(out.split())


def test_an_emitter_resistor_read_high_in_circuit(capsys):
    _, out, _ = run(capsys, "0.22ohm", "--reading", "0.4ohm", "--in-circuit")
    flat = " ".join(out.split())
    assert "undecided" in flat and "probe tips together" in flat and "lift one lead" not in flat


@pytest.mark.parametrize(
    ("words", "says", "never"),
    [
        ("4 --have 4x8 --power 40 --part-power 10",
         ("4 Ω: nothing from these comes within 5 %; nearest: 8 | 8 | 8 | 8 Ω = 2 Ω (-50 %).",
          "8 | 8 Ω would take 20 W each", "too few: 8 parts would do"), "If one opens"),
        ("8 --have 2x4R7", ("nearest: 4.7 + 4.7 Ω = 9.4 Ω (+18 %)",), "41 %"),
        ("0R22 --current 5A", ("At 5 A (5.5 W) it wants a rating of 11 W",), "2 W "),
        ("0.1ohm --reading 0.3 --lead-zero 0.2", ("this meter cannot tell",), "Probability"),
        ("1k --reading 0 --in-circuit", ("lift one lead",), "Probability"),
        ("6 --have 2x8 --power 20 --part-power 20", ("nearest: 8",), "e+"),
        (f"5k --have {','.join(f'1x{k}R' for k in range(1, 29))}", ("gain 100 % at most", "(-97 %)"), "e+"),
        ("1 --have 1k", ("10 Ω (+900 %)",), "e+"), ("1 --have 10k", ("100 Ω (100 times)",), "e+"),
        ("1e12", ("nothing from stock", "from 10 mΩ to 22 MΩ"), "is a stock value"),
        ("472", ("as a marking code 472 is 4.7 kΩ",), "4.72"), ("470", ("470 Ω is a stock",), "code"),
        ("4.7k --have 2x2k7,10k", ("of 10 kΩ as many as needed",), "2.7 kΩ as many"),
    ],
)  # fmt: skip
def test_what_is_no_answer_is_not_given_as_one(capsys, words, says, never):
    status, out, err = run(capsys, *words.split())
    flat = " ".join(out.split())
    assert (status, err) == (0, "") and never not in flat
    assert all(x in flat for x in says), flat
    assert max(map(len, out.splitlines())) <= 80
