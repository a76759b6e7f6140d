"""Options with units: what is taken, and one clear line for what is not."""

import argparse
from dataclasses import replace

import pytest

import junction
from junction.base.errors import UsageError
from junction.cli.commands import add_arguments
from junction.jobs import job as options
from junction.sets.results import LAYOUTS
from junction.shelf.tables import default_meter, reference_rows


def parsed(*words):
    parser = argparse.ArgumentParser()
    add_arguments(parser, junction.sort)
    return parser.parse_args(["bag.csv", *words])


def reader(function, name):
    return next(one.read for one in function.options if one.option == name)


def meter(*words):
    return options.meter_of(parsed(*words))


def test_no_option_is_the_default_meter():
    assert meter() == default_meter()


def test_constant_current():
    m = meter("--meter-current", "500 uA", "--meter-open-voltage", "2,8V")
    assert m.source_kind == "constant current" and m.test_current_A == pytest.approx(5e-4, rel=1e-12)
    assert m.open_voltage_V == 2.8 and m.over_range_V == min(default_meter().over_range_V, 2.8)
    assert m.current_spread <= 0.1 and "given" in m.basis


def test_source_behind_a_resistance():
    m = meter("--meter-open-voltage", "2.8V", "--meter-resistance", "2.2kohm", "--meter-over-range", "2V")
    assert (m.source_kind, m.resistance_ohm, m.over_range_V) == ("resistance", 2200.0, 2.0)
    assert m.test_current_A == pytest.approx(2.8 / 2200)


@pytest.mark.parametrize(("words", "says"), [
    (("--meter-current", "1mA", "--meter-resistance", "1kohm"), "not both"),
    (("--meter-resistance", "1kohm"), "also needs --meter-open-voltage"),
    (("--meter-open-voltage", "1.5V", "--meter-over-range", "2V"), "above the open voltage"),
    (("--meter-open-voltage", "30V", "--meter-resistance", "1ohm"), "drives 30 A; no meter drives more than"),
])  # fmt: skip
def test_meters_that_cannot_be(words, says):
    with pytest.raises(UsageError, match=says):
        meter(*words)


@pytest.mark.parametrize(("words", "says"), [
    (("--meter-current", "1"), "has no unit. Write 1mA."),
    (("--meter-current", "1A"), "must be at most 200 mA"),
    (("--meter-current", "1e-300A"), "must be at least 10 nA"),
    (("--meter-open-voltage", "100V"), "must be at most 60 V"),
    (("--meter-open-voltage", "2"), "Write 2V."),
    (("--meter-resistance", "0.1ohm"), "must be at least 1 Ω"),
    (("--meter-over-range", "1mV"), "must be at least 0.100 V"),
    (("--meter-current", "1V"), "is a unit of voltage"),
    (("--meter-current", "0mA"), "must be at least 10 nA"),
    (("--meter-current", "lots"), "is not a number"),
    (("--temperature", "400C"), "at most 250"),
    (("--voltage-accuracy", "2"), "no unit"),
    (("--voltage-accuracy", "1%+1%"), "once each"),
    (("--current-accuracy", "2mV"), "is a unit of voltage"),
    (("--voltage-accuracy", "%"), "is not a number"),
])  # fmt: skip
def test_one_clear_line(words, says, capsys):
    with pytest.raises(SystemExit) as stop:
        parsed(*words)
    assert stop.value.code == 2
    last = capsys.readouterr().err.strip().split("\n")[-1]
    assert says in last and words[0] in last


@pytest.mark.parametrize(("text", "value"), [
    ("0.5%+2mV", (0.005, 0.002)), ("0,5 % + 2 mV", (0.005, 0.002)), ("±1%", (0.01, 0.0)),
    ("3 mV", (0.0, 0.003)), ("1e-3V", (0.0, 1e-3)),
])  # fmt: skip
def test_accuracy(text, value):
    assert reader(junction.sort, "voltage_accuracy")(text) == pytest.approx(value, rel=1e-12)


def test_stated_noise_is_the_limit_over_root_three():
    """JCGM 100:2008, 4.3.7: a quantity known to lie within +-a has the standard uncertainty a/sqrt(3)."""
    noise = options.noise_of(parsed("--voltage-accuracy", "1%+3mV", "--current-accuracy", "2nA"))
    assert noise.v_percent == pytest.approx(1 / 3**0.5) and noise.v_floor_V == pytest.approx(3e-3 / 3**0.5)
    assert noise.i_percent == 0 and noise.i_floor_A == pytest.approx(2e-9 / 3**0.5)
    assert options.noise_of(parsed()) is None
    with pytest.raises(UsageError, match="belong together"):
        options.noise_of(parsed("--voltage-accuracy", "1%"))


def test_whole():
    channels = reader(junction.match, "channels")
    assert channels("3") == channels(3) == channels(3.0) == 3
    for given in ("0", "x", "1.5", 1.5, 0, None):
        with pytest.raises(UsageError):
            channels(given)


def test_every_row_of_the_table_is_an_option_of_the_jobs_it_names():
    from junction.cli import demo

    functions = {name: getattr(junction, name) for name in junction.__all__ if name != "__version__"}
    functions["demo"] = demo.demo
    for row in reference_rows("options"):
        for job in row.cells["jobs"].split():
            found = [one for one in functions[job].options if one.option == row.cells["option"]]
            assert len(found) == 1, row
            assert (found[0].kind == "own") == (found[0].own is not None), row


def test_every_layout_can_be_asked_for():
    assert next(one.choices for one in junction.match.options if one.option == "layout") == tuple(LAYOUTS)


def test_a_default_of_the_table_is_read_like_what_is_given():
    (row,) = (one for one in junction.sort.options if one.option == "temperature")
    assert row.value(None) is None
    assert replace(row, default="23C").value(None) == row.value("23C") == 23.0
