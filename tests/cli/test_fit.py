"""The fit command: parameters, files, cards."""

import csv
import io
import json

import pytest

from junction.cli.main import main
from junction.show.blocks import visible
from tests.cli import bags
from tests.show.trace import untraced


@pytest.fixture
def sweeps(tmp_path):
    path = tmp_path / "sweeps.csv"
    path.write_text(bags.BAG)
    return str(path)


def test_the_whole_job(tmp_path, sweeps, capsys):
    folder = tmp_path / "fits"
    assert main(["fit", sweeps, "-o", str(folder), "--plots", "2"]) == 0
    out, err = capsys.readouterr()
    assert err == "" and f"page: {folder}/fit.html" in out
    names = {str(p.relative_to(folder)) for p in folder.rglob("*") if p.is_file()}
    assert names == {"fit.html", "fit.json", "parameters.csv", "models.lib", "set_aside.csv"} | {
        "index.html", "job.json", "plots/001_S1_BE.svg", "plots/002_S1_BC.svg"}
    report = json.loads((folder / "fit.json").read_text())
    assert [p["part"] for p in report["parts"]] == ["S1", "S2", "S3", "S4"]
    assert untraced((folder / "fit.html").read_text(), (folder / "fit.json").read_text(), visible) == []
    rows = list(csv.DictReader(io.StringIO((folder / "parameters.csv").read_text())))
    assert len(rows) == 5 and float(rows[0]["IS_A"]) == pytest.approx(1e-14, rel=0.05)
    assert "S1_BE D(IS=" in (folder / "models.lib").read_text()


def test_the_truth_lies_in_the_intervals(sweeps, capsys):
    """The files are made with IS, N and the shunt known; the scatter is fixed, so this holds or fails."""
    main(["fit", sweeps, "--json", "-"])
    parts = {p["part"]: p["sweeps"] for p in json.loads(capsys.readouterr().out)["parts"]}
    shunt = parts["S2"][0]["fit"]["shunt"]
    assert shunt["low"] <= 2000 <= shunt["high"]
    short = parts["S4"][0]["fit"]["R"]
    assert short["low"] <= 2.0 <= short["high"]
    ideal = parts["S3"][0]["fit"]["N"]
    assert ideal["low"] - 0.002 <= 1.8 <= ideal["high"] + 0.002


def test_stated_accuracy_widens_the_intervals(sweeps, capsys):
    def width(*words):
        # with a temperature: one not known would be the larger part of both
        main(["fit", sweeps, "--json", "-", "--temperature", "25C", *words])
        n = json.loads(capsys.readouterr().out)["parts"][0]["sweeps"][0]["fit"]["N"]
        return n["high"] - n["low"]

    coarse = width("--voltage-accuracy", "1%+3mV", "--current-accuracy", "2%+10nA")
    fine = width("--voltage-accuracy", "0.2mV", "--current-accuracy", "0.3%+1nA")
    assert coarse > 2 * fine


def test_readings_alone_cannot_be_fitted(tmp_path, capsys):
    path = tmp_path / "bag.csv"
    path.write_text(bags.READINGS)
    assert main(["fit", str(path)]) == 2
    err = capsys.readouterr().err
    assert "bag.csv: no sweeps or curves" in err and err.count("\n") == 1


def test_one_accuracy_alone_is_refused(sweeps, capsys):
    assert main(["fit", sweeps, "--voltage-accuracy", "1mV"]) == 2
    assert "belong together" in capsys.readouterr().err


def test_curves_give_transistor_cards(tmp_path, capsys):
    """Points of the ideal law (constant h_FE of 100, IS 1e-14 A): the card holds them."""
    from math import exp

    rows = ["part,polarity,vce_V,vbe_V,ib_A,ic_A"]
    for k in range(30):
        vbe = 0.45 + 0.008 * k
        ic = 1e-14 * exp(vbe / 0.025693) * (1 + 2e-3 * ((k * 7919) % 13 - 6) / 6)
        rows.append(f"T1,NPN,5,{vbe:.4f},{ic / 100:.6g},{ic:.6g}")
    path = tmp_path / "curves.csv"
    path.write_text("\n".join(rows) + "\n")
    assert main(["fit", str(path), "-o", str(tmp_path / "f")]) == 0
    out = capsys.readouterr().out
    assert "0 sweeps, 1 transistor from curves" in out and "NPN" in out
    assert ".model T1 NPN(IS=" in (tmp_path / "f" / "models.lib").read_text()
    assert (tmp_path / "f" / "transistors.csv").exists()
    page, document = ((tmp_path / "f" / n).read_text() for n in ("fit.html", "fit.json"))
    assert untraced(page, document, visible) == []
    bf = json.loads(document)["parts"][0]["transistor"]["parameters"]["BF"]
    assert bf["low"] <= 100 <= bf["high"]


def test_a_current_limit_after_a_long_reverse_branch_is_seen(tmp_path, capsys):
    """From -5 V to past the limit of the source: the flat top is left out, short as it is."""
    rows = bags.ideal_sweep("L1", top_A=0.02)
    last = float(rows[-1].split(",")[2])
    rows += [f"L1,BE,{last + 0.012 * k:.3f},0.02" for k in range(1, 10)]
    path = tmp_path / "limited.csv"
    path.write_text(bags.sweeps_csv(rows))
    assert main(["fit", str(path), "--json", "-"]) == 0
    fit = json.loads(capsys.readouterr().out)["parts"][0]["sweeps"][0]["fit"]
    assert "current_limited" in fit["flags"] and fit["points_used"] <= len(rows) - 9
    assert fit["N"]["value"] == pytest.approx(1.0, abs=0.01)


def test_pictures_as_files_of_a_kind(tmp_path, sweeps, capsys):
    assert main(["fit", sweeps, "-o", str(tmp_path / "f"), "--plots", "1,pdf"]) == 0
    assert [p.name for p in (tmp_path / "f" / "plots").iterdir()] == ["001_S1_BE.pdf"]
    capsys.readouterr()
    assert main(["fit", sweeps, "--plots", "png"]) == 2
    assert "-o FOLDER" in capsys.readouterr().err
