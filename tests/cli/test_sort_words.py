"""What sort says under its table: parts it does not judge, and what goods do not show, each once."""

from dataclasses import replace

import pytest

from junction.cli.main import main
from junction.jobs.sort import sort
from junction.views.sort import notes
from tests.cli import bags
from tests.intake.helpers import read_texts
from tests.show.samples import good_part, sort_report, sort_result

SPOTS = """part,type,polarity,ic_mA,vbe_mV,hFE,temp_C
N1,2N3055,NPN,100,612,95,22
N2,2N3055,NPN,100,613,90,22
"""


def test_spot_readings_alone_are_one_line_and_no_verdict(tmp_path, capsys):
    file = tmp_path / "spots.csv"
    file.write_text(SPOTS)
    assert main(["sort", str(file)]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err.count("\n") == 1
    assert "not judged here" in err and "junction match reads those" in err


def test_spot_readings_beside_others_are_counted(tmp_path, capsys):
    (tmp_path / "spots.csv").write_text(SPOTS)
    (tmp_path / "bag.csv").write_text(bags.READINGS)
    assert main(["sort", str(tmp_path), "--more"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "3 parts:" in out and "No readings" not in out
    assert "2 parts with V_BE or h_FE at a current only: not judged here; junction match reads those." in out
    # the spots' temperature is no matter of this table
    assert "No temperature given for 3 parts" in out


def test_a_spot_does_not_take_a_part_out_that_has_more():
    curves = "part,vce_V,vbe_V,ic_A\nC1,5,0.6,0.1\nC1,5,0.7,1\n"
    read = "part,ic_mA,vbe_mV,hFE,B-E,E-B\nR1,100,612,95,0.605,OL\nS1,100,612,95,,\nC1,100,612,95,,\n"
    bag = read_texts([(n, t.encode()) for n, t in (("r", read), ("s", bags.BAG), ("c", curves))])
    report = sort(bag).report
    assert {v.part for v in report.verdicts} == {"C1", "R1", "S1", "S2", "S3", "S4"}
    assert report.spots_only == 0


# --- what goods do not show ---------------------------------------------------------------------------

SEEN = (
    "BE in reverse beyond 5 V, BC in reverse beyond 20 V, CE (not swept), current gain",
    "AK in reverse beyond 4 V", "AK in reverse beyond 10 V", "AK in reverse beyond 20 V",
    "a leak above about 2 kΩ, breakdown below the rating, gain, whatever shows only hot or above 2 V",
)  # fmt: skip


@pytest.mark.parametrize("kinds", [1, 2, 5])
def test_blind_spots_take_two_lines_of_the_terminal_at_most(kinds):
    goods = tuple(
        replace(good_part(f"N{k}"), cannot_see=SEEN[k % kinds], basis="sweeps") for k in range(10)
    )
    report = sort_report(verdicts=goods, parts_without_temp=0)
    lines = sort_result(report).text(80, more=True).split("\n")
    after = lines[next(k for k, line in enumerate(lines) if line.startswith("10 parts")) + 1 :]
    after = after[: after.index("")]  # the cautions come below
    assert 1 <= len(after) <= 2
    assert ("page" in after[-1]) == (kinds > 1)


def test_the_commonest_blind_spots_are_counted_over_the_parts():
    goods = tuple(replace(good_part(f"N{k}"), cannot_see=SEEN[0 if k < 3 else -1]) for k in range(7))
    said = notes(sort_report(verdicts=goods, parts_without_temp=0))
    # gain is missing from all seven, whichever way it was measured
    assert len(said) == 1 and "7 good parts: gain (in 7)" in said[0]
    assert "a leak above about 2 kΩ (4)" in said[0]
