"""``junction stage`` from the command line to its files, before fitting and after."""

import csv
import io
import json
from contextlib import nullcontext

import pandas as pd
import pytest

import junction
from junction.base.errors import UsageError
from junction.cli.main import main
from junction.show.blocks import visible
from tests.cli.match_bag import curves_csv
from tests.rows import every_row
from tests.show.trace import Page, untraced

RATING = ("--power", "80W", "--load", "8ohm", "--supply", "42V", "--parallel", "2", "--emitter-resistor",
"0.22ohm")


@pytest.fixture(scope="module")
def done(tmp_path_factory):
    out = tmp_path_factory.mktemp("stage")
    assert main(["stage", *RATING, "--type", "MJ15003,MJ15004", "--measured-drops", "20mV,21mV,20.5mV,0.1mV",
                 "-o", str(out)]) == 0  # fmt: skip
    return out


def test_files(done):
    names = {p.name for p in done.iterdir()}
    assert names == {"stage.html", "stage.json", "stage.csv", "heat.csv", "drops.csv", "index.html",
                     "job.json"}  # fmt: skip


def test_80_W_into_8_ohm_is_said(capsys):
    assert main(["stage", *RATING, "--more"]) == 0
    out = capsys.readouterr().out
    assert "35.8 V, 71.6 V peak to peak, 25.3 V rms" in out
    assert "20.0 mV" in out and "common practice, no source" in out


def test_cautions_stand_before_any_number(capsys):
    main(["stage", *RATING, "--measured-drops", "20mV,21mV", "--more"])
    out = capsys.readouterr().out
    assert out.startswith("before you measure in a live amplifier")
    assert out.index("Mains voltage kills") < out.index("mV")


def test_json(done):
    report = json.loads((done / "stage.json").read_text())
    assert report["format"] == 1 and report["command"] == "stage"
    drops = report["measured_drops"]
    assert drops["overall"] == "fault"
    # too little for a sound device; the upper rail says that current flows there, but not how much
    assert [d["verdict"] for d in drops["drops"]][:2] == ["as predicted"] * 2
    assert drops["drops"][3]["verdict"] == "no drop" and drops["bias"] == "undecided"
    assert report["cautions"]


def test_every_number_of_the_page_is_in_the_json(done):
    text = (done / "stage.html").read_text()
    assert untraced(text, (done / "stage.json").read_text(), visible) == []
    page = Page(text)
    assert len(page.images) == 2 and page.images[0]["alt"]


def test_csvs(done):
    rows = list(csv.DictReader(io.StringIO((done / "drops.csv").read_text())))
    assert [r["position"] for r in rows] == [
        f"{rail} rail, position {p}" for rail in ("upper", "lower") for p in (1, 2)
    ]
    heat = list(csv.DictReader(io.StringIO((done / "heat.csv").read_text())))
    assert heat[0]["drive"] == "idle" and float(heat[0]["average_W"]) == pytest.approx(42 * 0.02 / 0.22)


def test_drops_against_the_parts_own_curves(tmp_path, capsys):
    """The set is matched, its expected drops are set up as measured, and found as predicted."""
    (tmp_path / "curves.csv").write_text(curves_csv(4, both=False))
    main(["match", str(tmp_path / "curves.csv"), *RATING, "--json", str(tmp_path / "match.json")])
    first = json.loads((tmp_path / "match.json").read_text())["sets"][0]
    capsys.readouterr()
    drops = ",".join(f"{1000 * d:.2f}mV" for d in first["emitter_drop_idle_V"])
    words = ["stage", str(tmp_path / "curves.csv"), *RATING, "--parts", ",".join(first["parts"])]
    assert main([*words, "--measured-drops", drops, "--json", "-"]) == 0
    report = json.loads(capsys.readouterr().out)
    assert report["measured_drops"]["overall"] == "as predicted"
    assert report["predicted_set"]["parts"] == first["parts"]
    # the curves make the expectation sharper than unmatched parts would
    spans = [d["expected_V"]["high"] - d["expected_V"]["low"] for d in report["measured_drops"]["drops"]]
    assert main(["stage", *RATING, "--measured-drops", drops, "--json", "-"]) == 0
    loose = json.loads(capsys.readouterr().out)["measured_drops"]["drops"]
    assert all(s < 0.7 * (d["expected_V"]["high"] - d["expected_V"]["low"]) for s, d in zip(spans, loose,
    strict=True))


def test_own_resistors_by_position(capsys):
    words = ["stage", *RATING[:-1], "0.22ohm,0.33ohm", "--idle-current", "182mA"]
    assert main([*words, "--measured-drops", "19mV,24mV", "--resistor-tolerance", "1%", "--drop-accuracy",
    "0.1%+10uV",
                 "--json", "-"]) == 0  # fmt: skip
    drops = json.loads(capsys.readouterr().out)["measured_drops"]["drops"]
    assert [d["verdict"] for d in drops] == ["as predicted"] * 2


@pytest.mark.parametrize(("words", "says"), [
    (("--measured-drops", "20mV"), "1 drops for 2 devices a rail"),
    (("--parts", "A,B"), "--parts needs the files"),
    (("--drop-accuracy", "1%"), "belong to --measured-drops"),
    (("curves.csv",), "files are for --measured-drops"),
    (("--type", "1N4148"), "a transistor is asked for"),
])  # fmt: skip
def test_what_cannot_be_is_one_line_and_status_two(capsys, words, says):
    assert main(["stage", *words, *RATING]) == 2
    out, err = capsys.readouterr()
    assert out == "" and says in err and err.count("\n") == 1


def test_an_unknown_type_is_told_once_and_done_without(capsys):
    main(["stage", *RATING, "--json", "-"])
    without = json.loads(capsys.readouterr().out)["stage"]
    assert main(["stage", *RATING, "--type", "2SC9999,2SC9999-GR", "--json", "-"]) == 0
    told = json.loads(capsys.readouterr().out)["stage"]
    first, second = (x for x in told["findings"] if "not on the shelf" in x)
    assert "2SC9999 is" in first and "NPN" in first and "2SC9999-GR is" in second
    assert told["currents"] == without["currents"] if "currents" in told else told["idle"] == without["idle"]
    # of two types the known one is checked: 84 V across a device of 60 V
    main(["stage", *RATING, "--type", "2N3O55,2SA9999", "--json", "-"])
    known = json.loads(capsys.readouterr().out)["stage"]["findings"]
    assert sum("not on the shelf" in x for x in known) == 1


def test_an_alarm_stands_first(capsys, tmp_path):
    words = ["stage", *RATING, "--idle-drop", "15mV", "--measured-drops", "500mV,500mV,500mV,500mV"]
    main(words)
    out = capsys.readouterr().out
    assert out.startswith("! Switch off now. The idle current is far too high:")
    assert "33 times what is wanted" in out
    assert "turn the bias to its minimum" in out and "expected" not in out
    main([*words, "-o", str(tmp_path)])
    page = (tmp_path / "stage.html").read_text()
    places = [page.index(x) for x in ("Switch off now", "Mains voltage kills", "peak output voltage")]
    assert places == sorted(places)


def test_a_rating_the_supply_cannot_give_stands_above_the_table(capsys):
    main(["stage", "--power", "80W", "--load", "8ohm", "--supply", "30V", "--emitter-resistor", "0.22ohm"])
    out = " ".join(capsys.readouterr().out.split())
    assert out.index("cannot give 80 W") < out.index("peak output voltage") and "clips at about 43 W" in out


def test_one_caution_before_the_answer_and_the_rest_after(capsys):
    main(["stage", *RATING, "--more"])
    out = capsys.readouterr().out
    before, after = out.split("set across", 1)
    assert len(before.splitlines()) <= 5 and "Heat sinks and TO-3 cases" in after


def test_python_and_the_command_line_say_the_same(done, tmp_path):
    """Text with a unit, a plain number in the SI unit, and a list of them."""
    result = junction.stage(
        power=80, load="8ohm", supply="42V", parallel=2, emitter_resistor=[0.22], type="MJ15003,MJ15004",
        measured_drops="20mV,21mV,20.5mV,0.1mV",
    )  # fmt: skip
    told = json.loads((done / "stage.json").read_text())
    found = result.to_dict()
    assert {k: v for k, v in found.items() if k != "made"} == {k: v for k, v in told.items() if k != "made"}
    assert list(result.to_frame("drops")["verdict"])[3] == "no drop"
    assert repr(result).startswith("<junction stage: 4.47 A at the peak") and "<dl>" in result._repr_html_()
    assert {p.name for p in result.save(tmp_path)} == {p.name for p in done.iterdir()}


@every_row(("option", "value", "says"), [
    ("peak_current", "0A", "must be above 0"), ("supply", float("nan"), "is not a number"),
    ("base_resistor", "2ohm,-1ohm", "must be at least 0"),
    ("emitter_resistor", [0.22, float("inf")], "at most 1 MΩ"),
    ("supply", "1e300V", "at most 10 kV"), ("load", 1e-9, "at least"), ("peak_current", "1e300A", "at most"),
    ("output_voltage", 36.0, "peak, peak to peak or rms"), ("output_voltage", "1e9Vpk", "at most 10 kV"),
    ("parallel", 0, "at least 1"), ("load_angle", 90, "must be below 90"),
])  # fmt: skip
def test_values_that_no_stage_has(option, value, says):
    with pytest.raises(UsageError, match=f"{option}: .*{says}"):
        junction.stage(**{option: value})


def test_curves_come_as_a_frame_too():
    frame = pd.read_csv(io.StringIO(curves_csv(4, both=False)))
    names = list(dict.fromkeys(frame["part"]))[:2]
    result = junction.stage(frame, supply=42, parallel=2, emitter_resistor=0.22, idle_drop="20mV",
                            parts=names, measured_drops=[0.020, 0.021])  # fmt: skip
    assert [v.where for v in result.measured_drops.drops] == [f"position {k} ({name})" for k, name in
                                                                 enumerate(names, 1)]  # fmt: skip


def test_what_was_entered_stands_on_the_page_and_not_on_the_terminal(tmp_path, capsys):
    words = ["--output-voltage", "25Vrms", "--load", "8ohm", "--supply", "84V", "--circuit", "single",
             "--amplifier", "no. 1207, left", "--type", "MJ15003", "--emitter-resistor", "0.22ohm,0.33ohm",
             "--parallel", "2"]  # fmt: skip
    assert main(["stage", *words, "-o", str(tmp_path)]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "no. 1207" not in out and "84.0 V, 42.0 V each side" in out
    told = json.loads((tmp_path / "stage.json").read_text())
    entered = dict(told["entered"])
    assert entered["output voltage"] == "25Vrms" and entered["amplifier"] == "no. 1207, left"
    assert entered["emitter resistor"] == "0.22 Ω, 0.33 Ω" and "channels" not in entered
    assert told["stage"]["power_W"] == pytest.approx(25**2 / 8) and told["stage"]["supply_V"] == 42.0
    page = (tmp_path / "stage.html").read_text()
    assert "As entered" in page and untraced(page, (tmp_path / "stage.json").read_text(), visible) == []


@every_row("words, says", [
    (["--output-voltage", "36Vpk", "--power", "80W", "--load", "8ohm"], "in place of --power"),
    (["--output-voltage", "36Vpk"], "needs --load"), (["--circuit", "triangle"], "is not one of: two-rails"),
    (["--load", "8ohm", "--output-voltage", "36V"], "Write 36Vpk, 72Vpp or 25Vrms"),
])  # fmt: skip
def test_ratings_that_cannot_be_read(capsys, words, says):
    try:
        assert main(["stage", *words]) == 2
    except SystemExit as stop:  # the parser's own refusals
        assert stop.code == 2
    assert says in capsys.readouterr().err


def test_sets_are_compared_at_half_of_a_single_supply(tmp_path, capsys):
    (tmp_path / "curves.csv").write_text(curves_csv(4, both=False))
    words = ["match", str(tmp_path / "curves.csv"), "--power", "40W", "--load", "8ohm", "--emitter-resistor",
             "0.22ohm", "--json", "-"]  # fmt: skip
    for circuit, supply in (("single-supply", "60V"), ("bridge", "30V"), ("two-rails", "30V")):
        main([*words, "--circuit", circuit, "--supply", supply])
        stage = json.loads(capsys.readouterr().out)["stage"]
        assert stage["idle"]["vce_V"] == 30.0 and stage["peak"]["total_A"] == pytest.approx(10**0.5)
        swing = 640**0.5 / (2 if circuit == "bridge" else 1)
        assert stage["peak"]["vce_V"] == pytest.approx(30.0 - swing)
    main([*words, "--circuit", "quasi", "--layout", "complementary"])
    assert "--layout quasi-complementary" in capsys.readouterr().err


@pytest.mark.parametrize(("words", "says"), [
    (("--measured-drops", "19.8,20.5"), "'19.8' has no unit. Write 19.8mV."),
    (("--measured-drops", "19.8V,20.5V"), "write 20.5mV if that is meant. If the meter does show volts"),
    (("--measured-drops", "-20mV,20mV"), "Write it without the minus: 20mV"),
    (("--idle-drop", "20"), "Write 20mV."), (("--idle-current", "0.1"), "Write 0.1A."),
    (("--idle-current", "100"), "Write 100mA."), (("--supply", "42"), "Write 42V."),
    (("--idle-drop", "20V"), "must be at most 2 V"),
])  # fmt: skip
def test_a_number_is_asked_about_in_the_unit_of_the_bench(words, says, capsys):
    with pytest.raises(SystemExit) if "19.8V" not in words[1] else nullcontext():
        assert main(["stage", "--parallel", "2", "--emitter-resistor", "0.22ohm", *words]) == 2
    said = " ".join(capsys.readouterr().err.split())
    assert says in said and "19.8V." not in said


def test_each_type_reaches_the_temperature_of_its_own_thermal_resistance():
    def asked(*types):
        rows = junction.stage(power="30W", load="8ohm", supply="30V", emitter_resistor="0.22ohm", parallel=2,
                              type=types).stage.limits  # fmt: skip
        return {row["type"]: row["asked"] for row in rows if row["quantity"].startswith("T_j")}

    both = asked("BD140", "2N3055")
    assert both["2N3055"] == pytest.approx(asked("2N3055")["2N3055"], abs=2) and both["2N3055"] < 150
    assert both["BD140"] == pytest.approx(asked("BD140")["BD140"], abs=2) and both["BD140"] > 150


def test_the_page_of_drops_warns_where_the_hand_clips_on_and_its_picture_says_what_the_table_says():
    result = junction.stage(power="30W", load="8ohm", supply="30V", parallel=2, emitter_resistor="0.47ohm",
                            idle_drop="20mV", measured_drops="19.5mV,21.2mV,40.4mV,0.1mV")  # fmt: skip
    page = result.contents()["stage.html"]
    assert "DANGER: clip on with the power off" in page and "power on, hands off" in page
    alt = result.pictures["drops"].alt
    assert "lower rail, position 1 40.4 mV, like its neighbours" in alt and "not conducting" in alt
    planned = junction.stage(power="30W", load="8ohm", supply="30V", parallel=2, emitter_resistor="0.47ohm")
    assert "clip on" not in planned.contents()["stage.html"]
