"""The public functions: what a notebook user guesses works, and says the same as the command line."""

import doctest
import importlib
import json

import numpy as np
import pandas as pd
import pytest

import junction
from junction.base.errors import UsageError
from junction.cli.main import main
from junction.demo.bag import demo_files

JOBS = [name for name in junction.__all__ if name != "__version__"]
SOUND = ["B-E=0.642", "E-B=OL", "B-C=0.636", "C-B=OL", "C-E=OL", "E-C=OL"]


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    for name, text in demo_files(0).items():
        (folder / name).write_text(text)
    return folder


def module_of(name):
    return importlib.import_module(getattr(junction, name).__module__)


def test_every_example_in_the_documentation_is_true():
    for name in JOBS:
        function = getattr(junction, name)
        found = doctest.DocTestFinder(recurse=False).find(function, name, globs={})
        assert found and found[0].examples, f"junction.{name} has no example"
        runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
        for one in found:
            assert runner.run(one).failed == 0, name


def test_each_function_tells_all_of_its_options():
    for name in JOBS:
        function = getattr(junction, name)
        for one in function.options:
            if one.cli:
                continue
            assert f"\n{one.option} : " in function.__doc__, f"{name}: {one.option}"
            assert one.help.split()[0] in function.__doc__ and one.option in function.__signature__.parameters
        for heading in ("Parameters", "Returns", "Raises", "Examples"):
            assert f"\n{heading}\n---" in function.__doc__, f"{name}: {heading}"


def test_a_misspelt_option_is_told_the_nearest():
    with pytest.raises(UsageError, match="no option 'temprature'; did you mean temperature"):
        junction.sort({"Q1": SOUND}, temprature=23)


@pytest.mark.parametrize(
    ("text", "number"),
    [({"meter_current": "1mA"}, {"meter_current": 1e-3}), ({"temperature": "23C"}, {"temperature": 23})],
)
def test_text_with_a_unit_and_a_plain_SI_number_are_the_same(text, number):
    a, b = junction.check(SOUND, **text).to_dict(), junction.check(SOUND, **number).to_dict()
    assert {**a, "made": ""} == {**b, "made": ""}


def test_bounds_hold_for_numbers_as_for_text():
    for given in ("2A", 2.0, float("nan"), 0):
        with pytest.raises(UsageError, match="meter_current"):
            junction.check(SOUND, meter_current=given)


def test_what_is_no_type_and_no_resistance_is_an_error_of_ours():
    for call, *given in ((junction.substitute, [[]]), (junction.substitute, "2N3055", None),
                         (junction.substitute, "2N3055", 3055), (junction.resistor, [])):  # fmt: skip
        with pytest.raises(UsageError, match=r"is no type number|of \[\]: what is it about"):
            call(*given)


def test_the_dict_is_the_json_of_the_command_line(demo, capsys):
    assert main(["sort", str(demo), "--json", "-"]) == 1
    printed = json.loads(capsys.readouterr().out)
    mine = junction.sort(demo, plots=0).to_dict()
    assert {**mine, "made": ""} == {**printed, "made": ""}


def test_saved_files_are_those_of_the_command_line(demo, tmp_path):
    main(["sort", str(demo), "-o", str(tmp_path / "cli")])
    written = junction.sort(demo).save(tmp_path / "api")
    assert {p.name for p in written} == {p.name for p in (tmp_path / "cli").iterdir()}
    for name in ("verdicts.csv", "set_aside.csv"):
        assert (tmp_path / "api" / name).read_text() == (tmp_path / "cli" / name).read_text()


def test_a_frame_of_sweeps_gives_the_verdicts_of_its_file(demo):
    text = (demo / "sweeps.csv").read_text()
    rows = [line.split(",") for line in text.splitlines() if line and not line.startswith("#")]
    frame = pd.DataFrame(rows[1:], columns=rows[0])
    by_file, by_frame = junction.sort(demo / "sweeps.csv"), junction.sort(frame)
    assert [(v.part, v.verdict, v.faults) for v in by_frame.verdicts] == [
        (v.part, v.verdict, v.faults) for v in by_file.verdicts]  # fmt: skip
    numbers = frame.assign(v_V=pd.to_numeric(frame["v_V"], errors="coerce")).dropna(subset=["v_V"])
    again = junction.sort(numbers)
    for a, b in zip(by_file.verdicts, again.verdicts, strict=True):
        assert a.verdict == b.verdict and a.probability == pytest.approx(b.probability, abs=1e-12)


def test_readings_may_come_as_lists_dicts_and_frames():
    values = {"B-E": 0.642, "E-B": "OL", "B-C": 0.636, "C-B": "OL", "C-E": "OL", "E-C": "OL"}
    frame = pd.DataFrame([{"part": "Q1", **values}])
    answers = [
        junction.check(SOUND).verdicts[0], junction.check(values).verdicts[0],
        junction.sort({"Q1": SOUND}).verdicts[0], junction.sort({"Q1": values}).verdicts[0],
        junction.sort(frame).verdicts[0],
    ]  # fmt: skip
    assert {a.verdict for a in answers} == {"good"}
    assert len({tuple(a.evidence) for a in answers}) == 1


def test_what_was_read_can_be_given_on(demo):
    bag = junction.read(demo)
    assert len(bag.set_aside) == 4 and repr(bag).startswith("<junction read: 22 parts with readings")
    assert junction.sort(bag).to_dict()["counts"] == junction.sort(demo).to_dict()["counts"]
    frame = bag.to_frame()
    assert set(frame["kind"]) == {"readings", "sweep", "curves"}


def test_frames_hold_numbers(demo):
    frame = junction.sort(demo).to_frame()
    assert frame["p_good"].dtype == float and frame["part"].is_unique
    np.testing.assert_allclose(frame[["p_good", "p_leaky", "p_shorted", "p_open"]].sum(axis=1), 1, atol=1e-9)
    with pytest.raises(KeyError, match="there are verdicts, order, set_aside"):
        junction.sort(demo).to_frame("sets")


def test_a_result_shows_itself(demo):
    result = junction.sort(demo)
    assert repr(result) == "<junction sort: 53 parts: 4 shorted, 4 open, 4 leaky, 3 undecided, 38 good>"
    assert str(result).startswith("53 parts: 4 shorted") and "<table" in result._repr_html_()
    assert "verdicts" in dir(result) and "to_frame" in dir(result)


def test_a_substitute_is_held_against_what_a_stage_needs():
    stage = junction.stage(power="80W", load="8ohm", supply="42V", parallel=2, emitter_resistor="0.22ohm")
    found = junction.substitute("MJ15003", "2N3055", needs=stage, polarity="NPN")
    assert found.needs.voltage_V == 84.0 and found.candidates[0].candidate == "MJ15003"
    said = junction.substitute(voltage=84, needs=found.to_dict()["needs"], load_point=[(30, 0.1)])
    assert said.from_shelf and said.needs.load_line == ((30, 0.1),)
    bag = pd.DataFrame({"part": ["A"], "type": ["MJ15003"], "B-E": [0.6]})
    frame = junction.substitute("2N3055", bag=bag)
    assert frame.to_frame()["tag"].unique().tolist() == ["A"] and "A (MJ15003)" in str(frame)
    with pytest.raises(UsageError, match="load_point: '40V'"):
        junction.substitute(load_point="40V")


def test_a_resistor_takes_text_and_numbers():
    text = junction.resistor("8ohm", have="8.2ohm;33ohm", power="20W", part_power="11W", tolerance="1%")
    number = junction.resistor(8, have=(8.2, 33), power=20, part_power=11, tolerance=0.01)
    assert {**text.to_dict(), "made": ""} == {**number.to_dict(), "made": ""}
    # 33 | (8.2 | 8.2 + 8.2 | 33): of 8.2 and 33 Ω nothing with fewer parts comes within 1 %
    assert text.to_frame()["value_ohm"].iloc[0] == pytest.approx(1 / (1 / 33 + 1 / (4.1 + 8.2 * 33 / 41.2)))
    assert junction.resistor(100, reading="OL").reading.state == "open"
    assert "Resistor of 100 Ω" not in junction.resistor(100)._repr_html_()
