"""``junction match`` from the command line to its files."""

import csv
import io
import json

import pytest

from junction.cli.main import main
from junction.paper.labels import PAPERS
from junction.show.blocks import visible
from tests.cli.match_bag import CURVE_HEADING, curves_csv, spot_csv
from tests.show.trace import Page, untraced

STAGE = ("--power", "80W", "--load", "8ohm", "--supply", "42V", "--emitter-resistor", "0.22ohm")


@pytest.fixture(scope="module")
def bag(tmp_path_factory):
    folder = tmp_path_factory.mktemp("bag")
    (folder / "curves.csv").write_text(curves_csv())
    (folder / "spot.csv").write_text(spot_csv())
    return folder


@pytest.fixture(scope="module")
def done(bag, tmp_path_factory):
    """One complementary matching with all its files."""
    out = tmp_path_factory.mktemp("out")
    status = main(["match", str(bag / "curves.csv"), "--layout", "complementary", "--channels", "2",
    "--parallel",
                   "2", "--type", "MJ15003,MJ15004", *STAGE, "-o", str(out)])  # fmt: skip
    assert status == 0
    return out


def test_files(done):
    assert {p.name for p in done.iterdir()} == {
        "match.html", "match.json", "sets.csv", "left_over.csv", "labels-a4.html", "labels-letter.html",
        "set_aside.csv", "index.html", "job.json",
    }  # fmt: skip


def test_json_contract(done):
    report = json.loads((done / "match.json").read_text())
    assert report["format"] == 1 and report["command"] == "match" and report["layout"] == "complementary"
    assert len(report["sets"]) == 2 and len(report["left_over"]) == 4
    assert report["optimality_gap"] == 0.0
    for s in report["sets"]:
        assert all(len(s[k]) == 4 for k in ("parts", "share_idle", "share_peak", "emitter_drop_idle_V"))
        assert s["grade"] in ("A", "B", "C", "none") and s["polarity"] == "NPN + PNP"
        for key in ("imbalance_idle", "imbalance_peak"):
            assert s[key]["low"] <= s[key]["value"] <= s[key]["high"]
        assert sum(s["share_idle"][:2]) == pytest.approx(1.0)
    assert report["stage"]["peak_output_V"] == pytest.approx((2 * 80 * 8) ** 0.5)


def test_csv_has_a_row_a_part(done):
    rows = list(csv.DictReader(io.StringIO((done / "sets.csv").read_text())))
    assert len(rows) == 8
    assert {r["place"] for r in rows} == {
        f"channel {c}, {rail} rail, position {p}" for c in (1, 2) for rail in ("upper",
        "lower") for p in (1, 2)
    }
    report = json.loads((done / "match.json").read_text())
    by_part = {p: s for s in report["sets"] for p in s["parts"]}
    for r in rows:
        assert float(r["imbalance_idle"]) == pytest.approx(by_part[r["part"]]["imbalance_idle"]["value"],
        rel=1e-6)


def test_every_number_of_the_page_is_in_the_json(done):
    text = (done / "match.html").read_text()
    assert untraced(text, (done / "match.json").read_text(), visible) == []
    page = Page(text)
    assert len(page.images) == 1 + 6 and all(i["alt"] and i["src"].startswith("data:") for i in page.images)


@pytest.mark.parametrize("paper", PAPERS)
def test_a_label_for_every_part_on_either_paper(done, paper):
    text = (done / f"labels-{paper.lower()}.html").read_text()
    page = Page(text)
    words = " ".join(page.text)
    report = json.loads((done / "match.json").read_text())
    for s in report["sets"]:
        for name, place in zip(s["parts"], s["places"], strict=True):
            assert name in words and place in words
    assert f"size:{PAPERS[paper][0]} portrait" in text
    assert text.count('class="label"') == 3 * 8 and page.links == []


def test_spot_readings_and_curves_together(bag, capsys):
    status = main(["match", str(bag / "curves.csv"), str(bag / "spot.csv"), *STAGE, "--json", "-"])
    out, err = capsys.readouterr()
    report = json.loads(out)
    assert status == 0
    left = {x["part"]: x["why"] for x in report["left_over"]}
    assert left["S03"].startswith("judged shorted")
    used = [p for s in report["sets"] for p in s["parts"]]
    assert sorted(used + list(left)) == sorted(
        [f"{w}{k:02d}" for w in "NPS" for k in range(1, 7)]
    )  # fmt: skip
    assert "left  " in err and "judged shorted" in err  # people's text goes to standard error beside the JSON


def test_kept_sets_and_their_exchanges(bag, capsys):
    assert main(["match", str(bag / "curves.csv"), *STAGE, "--keep", "N01,N02", "--keep", "P05,P06",
                 "--more"]) == 0  # fmt: skip
    out = capsys.readouterr().out
    assert "1 (kept)  N01 N02" in out and "2 (kept)  P05 P06" in out
    assert "exchanges that would better it" in out or "no single exchange betters it" in out


def test_direct_currents_in_place_of_a_rating(bag, capsys):
    assert main(["match", str(bag / "curves.csv"), "--idle-current", "200mA", "--peak-current", "4A",
    "--vce", "30V",
                 "--emitter-resistor", "0.22ohm,0.33ohm", "--base-resistor", "2.2ohm",
                 "--more"]) == 0  # fmt: skip
    out = capsys.readouterr().out
    assert "at idle with 200 mA and at the peak with 4.00 A" in out
    assert "0.22 Ω / 0.33 Ω" in out


def test_decimal_commas_in_a_list(bag, capsys):
    assert main(["match", str(bag / "curves.csv"), *STAGE[:-1], "0,22ohm,0,33ohm", "--more"]) == 0
    assert "0.22 Ω / 0.33 Ω" in capsys.readouterr().out


def test_rows_set_aside_give_status_one(tmp_path, capsys):
    text = curves_csv(3, both=False) + "N03,NPN,3.0,nonsense,1e-3,0.1,25\n"
    (tmp_path / "bag.csv").write_text(text)
    assert main(["match", str(tmp_path / "bag.csv"), *STAGE]) == 1
    err = capsys.readouterr().err
    assert "not used:" in err and f"line {len(text.splitlines())}" in err


@pytest.mark.parametrize(("words", "says"), [
    (("--channels", "2"), "--channels belongs to a two-rail layout"),
    (("--parallel", "1"), "--parallel 1 leaves nothing to match"),
    (("--layout", "complementary", "--channels", "2", "--sets", "2"), "not both"),
    (("--keep", "N01"), "1 parts, but a set of this layout has 2"),
    (("--keep", "N01,X7"), "X7 is not among the parts read"),
    (("--idle-current", "0.1A", "--idle-drop", "20mV"), "not both"),
    (("--emitter-resistor", "0.22ohm,0.22ohm,0.22ohm"), "3 emitter resistors for 2 devices"),
    (("--type", "1N4148"), "a transistor is asked for"),
    (("--voltage-accuracy", "1%"), "belong together"),
])  # fmt: skip
def test_what_cannot_be_is_one_line_and_status_two(bag, capsys, words, says):
    rest = STAGE if words[0] != "--emitter-resistor" else STAGE[:-2]
    assert main(["match", str(bag / "curves.csv"), *rest, *words]) == 2
    out, err = capsys.readouterr()
    assert out == "" and says in err and err.count("\n") == 1 and "Traceback" not in err


@pytest.mark.parametrize(("words", "says"), [
    (("--emitter-resistor", "0.22"), "has no unit"), (("--power", "80V"), "is a unit of voltage"),
    (("--layout", "circle"), "is none of pairs"), (("--parallel", "0"), "at least 1"),
    (("--temperature-uncertainty", "-1"), "at least 100 µK"), (("--load-angle", "95"), "below 90"),
])  # fmt: skip
def test_options_that_cannot_be_read(bag, capsys, words, says):
    with pytest.raises(SystemExit) as stop:
        main(["match", str(bag / "curves.csv"), *words])
    assert stop.value.code == 2 and says in capsys.readouterr().err


def test_nothing_to_match_by(tmp_path, capsys):
    (tmp_path / "bag.csv").write_text("part,A-K,K-A\nD01,0.642,OL\n")
    assert main(["match", str(tmp_path / "bag.csv"), *STAGE]) == 2
    err = capsys.readouterr().err
    assert "no part has a transistor curve or a spot reading to match by" in err and "bag.csv" in err


def test_names_that_would_be_markup_or_formulas_stay_text(tmp_path):
    text = curves_csv(2, both=False).replace("N01,", "<b>N01,").replace("N02,", "=N02,")
    (tmp_path / "bag.csv").write_text(text)
    assert main(["match", str(tmp_path / "bag.csv"), *STAGE, "-o", str(tmp_path / "out")]) == 0
    for name in ("match.html", "labels-a4.html"):
        assert "<b>N01" not in (tmp_path / "out" / name).read_text()
    assert "'=N02" in (tmp_path / "out" / "sets.csv").read_text()


def test_one_part_alone_makes_no_set(tmp_path, capsys):
    rows = [r for r in curves_csv(1, both=False).splitlines() if r != CURVE_HEADING]
    (tmp_path / "bag.csv").write_text("\n".join([CURVE_HEADING, *rows]) + "\n")
    assert main(["match", str(tmp_path / "bag.csv"), *STAGE, "-o", str(tmp_path / "out")]) == 0
    out = capsys.readouterr().out
    assert "No set could be made." in out and "N01: spare" in out


TWO_ROWS = ("part,polarity,ic_mA,vbe_mV,hFE,temp_C", "N1,NPN,100,612,95,24", "N1,NPN,2300,720,88,24",
            "N2,NPN,100,612,95,24", "N2,NPN,2300,820,30,24")  # fmt: skip


def matched(tmp_path, lines, *words) -> dict:
    (tmp_path / "bag.csv").write_text("\n".join(lines) + "\n")
    main(["match", str(tmp_path / "bag.csv"), *(words or STAGE), "--json", str(tmp_path / "match.json")])
    return json.loads((tmp_path / "match.json").read_text())


def test_every_spot_row_of_a_part_is_used(tmp_path, capsys):
    """The rows at 2.3 A, 100 mV apart, are the match at the peak; their order changes nothing."""
    head, *rows = TWO_ROWS
    every = matched(tmp_path, TWO_ROWS)["sets"][0]
    assert every["imbalance_peak"]["value"] > 0.03 and every["hfe_ratio"]["value"] < 0.6
    low = matched(tmp_path, [line for line in TWO_ROWS if "2300" not in line])["sets"][0]
    assert low["imbalance_peak"]["value"] == pytest.approx(0.0, abs=1e-6)
    turned = matched(tmp_path, (head, rows[1], rows[0], rows[3], rows[2]))["sets"][0]
    assert turned["parts"] == every["parts"]
    assert turned["imbalance_peak"] == every["imbalance_peak"]
    assert not any("measured only" in note for note in every["notes"])


ONE_WEAK = ("part;type;polarity;ic_mA;vbe_mV;hFE", "K1;2SC5200;NPN;100;585;78", "K2;2SA1943;PNP;100;586;75",
            "K3;2SC5200;NPN;100;602;5")  # fmt: skip
LONE = ("--layout", "complementary", *STAGE)


def test_a_part_with_far_too_little_gain_is_in_no_set(tmp_path, capsys):
    report = matched(tmp_path, ONE_WEAK, *LONE)
    assert [s["parts"] for s in report["sets"]] == [["K1", "K2"]]
    assert [x["part"] for x in report["left_over"]] == ["K3"]
    assert "far less gain than its kind: h_FE 5 at 0.1 A" in report["left_over"][0]["why"]
    # and what it shows is not taught to the others: K1 alone comes to the same
    alone = matched(tmp_path, ONE_WEAK[:3], *LONE)
    assert alone["sets"][0]["imbalance_idle"] == report["sets"][0]["imbalance_idle"]


def test_unequal_parts_are_not_preferred_for_being_better_known(tmp_path, capsys):
    """The same with h_FE 9, which is only a word of warning: the near pair still wins."""
    report = matched(tmp_path, [*ONE_WEAK[:3], "K3;2SC5200;NPN;100;602;9"], *LONE)
    assert [s["parts"] for s in report["sets"]] == [["K1", "K2"]]
    assert "K3" in report["warnings"][0] and "used all the same" in report["warnings"][0]


def test_a_part_kept_by_hand_is_warned_of(tmp_path, capsys):
    report = matched(tmp_path, ONE_WEAK, *LONE, "--keep", "K3,K2")
    assert report["sets"][0]["parts"] == ["K3", "K2"] and "K3" in report["warnings"][0]


def test_asked_for_types_are_the_only_ones_used(tmp_path, capsys):
    rows = ("part;type;polarity;ic_mA;vbe_mV;hFE;temp_C", "A;MJ15003;NPN;1000;650;50;22",
            "B;mj 15003;NPN;1000;651;52;22", "C;TIP35C;NPN;1000;650;50;22",
            "D;TIP35C;NPN;1000;650;51;22")  # fmt: skip
    report = matched(tmp_path, rows, *STAGE, "--type", "MJ15003,MJ15004")
    assert [s["parts"] for s in report["sets"]] == [["A", "B"]]
    assert {x["part"]: "TIP35C is not among those asked for" in x["why"] for x in report["left_over"]} == {
        "C": True, "D": True}  # fmt: skip


SIDE = ("part;type;polarity;ic_mA;vbe_mV;hFE;temp_C", "Q1;TIP35C;NPN;100;601;62;22",
        "Q2;TIP35C;NPN;100;603;70;22", "Q3;TIP35C;NPN;100;607;66;22", "Q4;TIP35C;NPN;100;609;60;22",
        "D1;1N4007;;;;;22")  # fmt: skip


def width(s) -> float:
    return s["dvbe_V"]["high"] - s["dvbe_V"]["low"]


def test_what_limits_spot_readings_is_named_and_can_be_bettered(tmp_path, capsys):
    plain = matched(tmp_path, SIDE)
    assert any("V_CE while the stage idles at 42 V" in line and "known to within" in line
               for line in plain["advice"])  # fmt: skip
    assert "2.2 A and 5 V" in plain["advice"][0]
    there = matched(tmp_path, SIDE, *STAGE, "--reading-vce", "42V")
    together = matched(tmp_path, SIDE, *STAGE, "--reading-vce", "42V", "--side-by-side")
    sharp = matched(tmp_path, SIDE, *STAGE, "--reading-vce", "42V", "--side-by-side", "--voltage-accuracy",
                    "0.02%+0.2mV", "--current-accuracy", "0.2%")  # fmt: skip
    # 1 mV of meter, 0.3 K and 1 % of current make 1.7 mV of a difference, without the 0.3 K 1.5 mV
    found = [width(r["sets"][0]) for r in (plain, there, together, sharp)]
    assert found[1] < 0.7 * found[0] and found[2] < 0.95 * found[1] and found[3] < 0.6 * found[2]


def test_readings_at_idle_earn_a_grade_there_even_without_one_at_the_peak(tmp_path, capsys):
    """Without emitter resistors nothing evens out the peak; 0.1 A is a twentieth of it."""
    report = matched(tmp_path, SIDE, "--power", "80W", "--load", "8ohm", "--vce", "5V", "--idle-current",
                     "200mA", "--side-by-side", "--reading-vce", "5V", "--more")  # fmt: skip
    grades = {(s["grade_idle"], s["grade_peak"]) for s in report["sets"]}
    assert grades <= {("A", "none"), ("B", "none"), ("C", "none")} and grades
    assert all(s["grade"] == "none" for s in report["sets"])
    text = capsys.readouterr().out
    assert " none:" in text and "no grade at the peak: the interval" in " ".join(text.split())


def test_parts_that_were_never_candidates_are_one_line(tmp_path, capsys):
    lines = [f"{line};;" for line in SIDE[:-1]] + [f"X{k};BC547;NPN;;;;22;0.65;OL" for k in range(6)]
    lines[0] = SIDE[0] + ";B-E;E-B"
    lines[-1] = "X5;BC547;NPN;;;;22;0.000;0.000"  # shorted, and still no candidate
    report = matched(tmp_path, lines)
    assert any("judged shorted" in x["why"] for x in report["left_over"] if x["part"] == "X5")
    out = " ".join(capsys.readouterr().out.split())
    assert "6 further parts: no curve or reading to match by" in out and "X3" not in out


def test_labels_say_what_a_part_is_known_by(tmp_path, capsys):
    """Type, and V_BE and h_FE as they were read at 0.1 A and 22 degrees."""
    out = tmp_path / "out"
    (tmp_path / "bag.csv").write_text("\n".join(SIDE) + "\n")
    main(["match", str(tmp_path / "bag.csv"), *STAGE, "-o", str(out)])
    text = (out / "labels-a4.html").read_text()
    for wanted in ("V_BE 601 mV, h_FE 62 at 100 mA", "V_BE 603 mV, h_FE 70 at 100 mA", "NPN TIP35C"):
        assert wanted in text
    page = (out / "match.html").read_text()
    assert "sets, grade" in page and "NPN, TIP35C" in page


def test_a_fitted_part_with_little_gain_is_still_compared(tmp_path, capsys):
    """The drops of what stands in the amplifier are judged even where `match` would leave the part out."""
    rows = ("part;type;polarity;ic_mA;vbe_mV;hFE;temp_C", "A;2SC5200;NPN;100;600;80;22",
            "B;2SC5200;NPN;100;602;78;22", "C;2SC5200;NPN;100;601;4;22")  # fmt: skip
    (tmp_path / "bag.csv").write_text("\n".join(rows) + "\n")
    assert main(["stage", str(tmp_path / "bag.csv"), *STAGE, "--parallel", "2", "--parts", "A,C",
                 "--measured-drops", "20mV,20mV"]) == 0  # fmt: skip
