"""Types as options and rows name them: unknown ones are told once, one's own are found in every command."""

import pytest

import junction
from junction.base.errors import ShelfError, UsageError

GOOD = ["B-E=0.642", "E-B=OL", "B-C=0.636", "C-B=OL", "C-E=OL", "E-C=OL"]
STAGE = {"power": "80W", "load": "8ohm", "supply": "42V", "parallel": 2, "emitter_resistor": "0.22ohm"}


def bag(folder, types):
    """A file of good readings, one part a type."""
    cells = ",".join(x.split("=")[1] for x in GOOD)
    rows = [f"Q{k},{one},{cells}" for k, one in enumerate(types)]
    path = folder / "bag.csv"
    path.write_text("\n".join(["part,type," + ",".join(x.split("=")[0] for x in GOOD), *rows]) + "\n")
    return str(path)


def spots(folder, types):
    """A file of spot readings that make close pairs."""
    rows = [f"P{k},{one},NPN,500,{600 + k},{80 + k}" for k, one in enumerate(types)]
    path = folder / "spots.csv"
    path.write_text("\n".join(["part,type,polarity,ic_mA,vbe_mV,hFE", *rows]) + "\n")
    return str(path)


def test_an_unknown_type_of_thirty_parts_is_one_sentence(tmp_path):
    notes = junction.sort(bag(tmp_path, ["QX5999"] * 28 + ["2SC9999"] * 2)).to_dict()["notes"]
    first, second = (x for x in notes if "not on the shelf" in x)
    assert "QX5999" in first and "(28 parts)" in first
    assert "2SC9999" in second and "NPN" in second and "(2 parts)" in second


def test_a_gain_group_that_is_not_on_the_shelf_is_said_of_a_part():
    said = junction.check(GOOD, type="c5200-o").to_dict()["parts"][0]["warnings"]
    assert sum("gain group O of 2SC5200 is not on the shelf" in x for x in said) == 1
    said = junction.check(GOOD, type="c1815-gr").to_dict()["parts"][0]["warnings"]
    assert not any("group" in x for x in said)


def test_match_knows_one_type_by_its_spellings_and_does_without_the_unknown(tmp_path):
    path = spots(tmp_path, ["C5198", "2SC5198", "2sc 5198", "2SC5198"])
    found = junction.match(path, **STAGE, type="2SC5I98").to_dict()
    assert len(found["sets"]) == 2 and not [x for x in found["left_over"] if "type" in x["why"]]
    # a slip beside a type that is there leaves nobody out, and is told once
    slip = junction.match(path, **STAGE, type="2SC5198,2SC5999").to_dict()
    assert len(slip["sets"]) == 2 and sum("2SC5999 is not on the shelf" in x for x in slip["warnings"]) == 1
    # parts that bear no type may be of any
    bare = junction.match(spots(tmp_path, [""] * 4), **STAGE, type="2SC5999").to_dict()
    assert len(bare["sets"]) == 2
    # an unknown type that some parts bear is a type like another: it leaves the others out
    mixed = spots(tmp_path, ["QX5999", "QX5999", "2SC5198", "2SC5198"])
    own = junction.match(mixed, **STAGE, type="QX5999").to_dict()
    assert [s["parts"] for s in own["sets"]] == [["P0", "P1"]]


@pytest.mark.parametrize("asked", ["nothing", "2N3055", "MJ15003,nothing"])
def test_a_type_that_no_part_is_of_matches_nobody(tmp_path, asked):
    path = spots(tmp_path, ["2SC5198", "QX5999", "QX5999", "2SC5198"])
    said = " or ".join(f"'{name}'" for name in asked.split(","))
    with pytest.raises(UsageError, match=f"^no part to match is of type {said}; there are: 2SC5198, QX5999$"):
        junction.match(path, **STAGE, type=asked)


def test_no_stage_is_worked_out_for_what_is_no_bipolar_transistor_by_its_number(tmp_path):
    for call in (junction.stage, lambda **told: junction.match(spots(tmp_path, ["IRF540"] * 4), **told)):
        with pytest.raises(UsageError, match="^--type IRF540 is by its number a power MOSFET: .* bipolar"):
            call(**STAGE, type="IRF540")
    # with a damper diode inside it is bipolar all the same, on the shelf or not
    assert junction.stage(**STAGE, type="BU508DX").to_dict()["stage"]["parallel"] == 2
    # of the parts of a bag their gain tells more than a number
    text = "part,type,polarity,ic_mA,vbe_mV,hFE\n" + "".join(
        f"P{k},{'IRF540' if k > 1 else ''},NPN,500,{600 + k},{'' if k > 3 else 80 + k}\n" for k in range(6))
    (tmp_path / "mixed.csv").write_text(text)
    found = junction.match(str(tmp_path / "mixed.csv"), **STAGE).to_dict()
    left = {one["part"]: one["why"] for one in found["left_over"]}
    assert sorted(left) == ["P4", "P5"] and all("a power MOSFET" in why for why in left.values())


def test_an_unknown_original_says_what_its_number_says_and_how_to_go_on():
    with pytest.raises(ValueError, match="NPN.*--polarity NPN --voltage"):
        junction.substitute("2SC9999")
    with pytest.raises(ValueError, match="Zener diode of 5.1 V; on the shelf there is 1N4733A"):
        junction.substitute("BZX79C5V1")
    found = junction.substitute("2N3055", "MJ15003", "IRF540", "2SC2240A")
    told = {x["value"]: x["reason"] for x in found.to_dict()["set_aside"]}
    assert "a power MOSFET" in told["IRF540"] and "2SC2240" in told["2SC2240A"]


def test_ones_own_folder_is_found_by_every_command(monkeypatch, tmp_path):
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    table = tmp_path / "junction" / "types" / "mine.csv"
    table.parent.mkdir(parents=True)
    row = "type,polarity,material,V_CEO_V,I_C_A,source\nDRAWER7,{},silicon,120,12,bench\n"
    calls = (
        lambda: junction.check(GOOD, type="drawer 7"), lambda: junction.sort(bag(tmp_path, ["DRAWER7"])),
        lambda: junction.stage(**STAGE, type="DRAWER7"), lambda: junction.substitute("2N3055", "DRAWER7"),
        lambda: junction.match(spots(tmp_path, ["DRAWER7"] * 4), **STAGE),
    )  # fmt: skip
    table.write_text(row.format("NPN"), encoding="utf-8")
    for call in calls:
        said = str(call().to_dict())
        assert "ype DRAWER7 is not" not in said and "no such type" not in said
    table.write_text(row.format("NPM"), encoding="utf-8")
    for call in calls:  # the fault with its folder, line and column
        with pytest.raises(ShelfError, match=r"junction/types/mine\.csv, line 2, column 'polarity': 'NPM'"):
            call()


def test_a_polarity_that_only_the_number_states_is_asked_about_and_condemns_nothing():
    pnp = ["E-B=0.642", "B-E=OL", "C-B=0.636", "B-C=OL", "C-E=OL", "E-C=OL"]
    part = junction.check(pnp, type="2SC9999").to_dict()["parts"][0]
    bare = junction.check(pnp).to_dict()["parts"][0]
    assert sum("Reads as PNP, not NPN" in x for x in part["warnings"]) == 1
    assert (bare["verdict"], part["verdict"]) == ("good", "undecided")
    assert part["next"].startswith("Check the marking")
    assert part["probability"] == bare["probability"]
    # what the number of another maker's part may be is not held against it
    assert junction.check(pnp, type="C9012").to_dict()["parts"][0]["verdict"] == "good"
    same = junction.check(GOOD, type="2SC9999").to_dict()["parts"][0]["warnings"]
    assert not any("Reads as" in x for x in same)
