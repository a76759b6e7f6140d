"""What lies on a real bench and how it is typed: each case stands for a class (common practice, no source).

``wants`` are words that must stand in what is said, ``never`` words that must not.
"""

import pytest

import junction
from junction.base.errors import UsageError
from tests.rows import every_row

OL = "1-2=OL 2-1=OL 1-3=OL 3-1=OL 2-3=OL 3-2=OL"


def judged(text, **more):
    return junction.check(text.split(), **more)


def said(result):
    v = result.to_dict()["parts"][0]
    words = [v["verdict"], v["doubt"], *v["evidence"], v["next"], *v["warnings"], v["device"]["called"]]
    return " ".join(words).lower()


@every_row(
    ("text", "more", "wants"),
    [
        ("B-E=0.62 E-B=OL B-C=0.61 C-B=OL C-E=4.2 E-C=4.2", {}, "4.2 ohm"),
        ("A-K=0.698 K-A=2.170", {}, "OL above 2 V"),
        ("A-K=0.414 K-A=4.22", {"meter_resistance": "2.3kohm", "meter_open_voltage": "2.8V",
                                "meter_over_range": "1.999V"}, "1.999 V"),
        ("1-2=0.655 2-1=3.1", {}, "3.1 ohm"),
        # a short reads the same both ways, and no junction drops nothing
        ("1-2=0.000 2-1=OL 1-3=0.000 3-1=0.596 2-3=OL 3-2=0.000", {}, "no resistance reads so"),
        ("1-2=OL 1-3=OL 2-1=OL 2-3=OL 3-1=0.001 3-2=0.001", {}, "no junction"),
    ],
)  # fmt: skip
def test_what_no_meter_shows_is_asked_about(text, more, wants):
    with pytest.raises(UsageError, match=wants):
        judged(text, **more)


@every_row(
    ("text", "more", "verdict", "wants", "never"),
    [
        # a number above the mark that is over-range the other way round: the meter reads further
        ("A-K=2.6 K-A=OL", {}, "good", "yours reads further", "replace"),
        # one body diode and an isolated lead
        ("B-E=OL E-B=OL B-C=OL C-B=OL C-E=OL E-C=0.47", {}, "undecided", "", "replace"),
        ("1-2=OL 2-1=OL 1-3=OL 3-1=OL 2-3=OL 3-2=0.47", {}, "undecided", "mosfet", "replace"),
        # a charged gate, and what is left when it was let go
        ("1-2=0.001 2-1=0.001 1-3=OL 3-1=OL 2-3=OL 3-2=OL",
         {}, "undecided", "short all three leads", "replace"),
        ("1-2=0.001 2-1=0.001 1-3=OL 3-1=OL 2-3=OL 3-2=OL", {"discharged": True}, "shorted", "", "mosfet"),
        # gates of thyristors and triacs
        ("1-3=0.643 3-1=1.046 1-2=OL 2-1=OL 2-3=OL 3-2=OL", {}, "undecided", "thyristor", "replace"),
        ("1-2=0.094 2-1=0.093 1-3=OL 3-1=OL 2-3=OL 3-2=OL", {}, "undecided", "triac", "replace"),
        # a gain excludes open junctions
        (OL, {"hfe": 100}, "undecided", "2 to 10 kΩ", "replace"),
        (OL, {}, "undecided", "built-in base resistors", "replace"),
        # in circuit nothing is replaced
        ("B-C=0.729 B-E=0.960 C-E=OL E-B=0.970 C-B=OL E-C=1.569", {"in_circuit": True, "type": "BC517"},
         "undecided", "lift lead", "replace"),
        ("B-E=0.002 E-B=0.002 B-C=0.002 C-B=0.002 C-E=0.002 E-C=0.002", {"in_circuit": True}, "undecided",
         "lift lead", "replace"),
        ("B-E=OL E-B=OL B-C=0.62 C-B=OL C-E=OL E-C=OL",
         {"in_circuit": True}, "undecided", "lift lead", "replace"),
        # with a lead lifted, what lies across it is the part's own
        ("B-E=0.002 E-B=0.002 B-C=0.61 C-B=OL C-E=OL E-C=0.61",
         {"in_circuit": True, "lifted": "E"}, "shorted",
         "the part's own", "replace"),
        # partial readings
        ("B-E=0.61 B-C=0.61 C-E=OL",
         {}, "undecided", "sound so far; c-b, e-b and e-c were not read", "replace"),
        ("C-E=4.2ohm", {"type": "2N3055"}, "shorted", "c-e 4.2 Ω: a short", "supply through"),
        # a resistance
        ("A-K=0.65 K-A=0.65", {}, "undecided", "resistance of about 650 Ω", "led"),
        # a slip of the decimal point; with its unit it is meant
        ("B-C=0.642 B-E=0.0655 C-B=OL E-B=OL C-E=OL E-C=OL", {}, "undecided", "0.655", "leaky"),
        ("B-C=0.642 B-E=0.0655V C-B=OL E-B=OL C-E=OL E-C=OL", {}, "leaky", "", "slip"),
        # germanium, with its normal leakage
        ("E-B=0.21 B-E=OL C-B=0.19 B-C=OL C-E=OL E-C=0.9",
         {"type": "AC128"}, "good", "is normal", "contradict"),
        # a high drop is no leak
        ("B-E=0.95 E-B=OL B-C=0.6 C-B=OL C-E=OL E-C=OL",
         {"type": "2N3055"}, "undecided", "darlington", "leaky"),
        # a near name, and a number of another kind
        ("B-E=0.65 E-B=OL B-C=0.64 C-B=OL C-E=OL E-C=OL", {"type": "TIP42"}, "undecided", "near: tip42c",
         "replace"),
        # what a number says, from memory, is never a verdict of good for another part
        ("B-E=0.66 E-B=OL B-C=0.65 C-B=OL C-E=OL E-C=OL", {"type": "IRF540"}, "undecided",
         "the marking irf540 does not fit", "over 99"),
        ("B-E=0.66 E-B=OL B-C=0.65 C-B=OL C-E=OL E-C=OL", {"type": "2SA9999"}, "undecided",
         "reads as npn, not pnp", "over 99"),
        ("B-E=0.66 E-B=OL B-C=0.65 C-B=OL C-E=OL E-C=OL", {"type": "2SC9999"}, "good", "by its number an npn",
         "marking"),
        ("B-E=0.66 E-B=OL B-C=0.65 C-B=OL C-E=OL E-C=OL", {"type": "B772"}, "undecided", "not pnp",
         "over 99"),
        ("E-B=0.66 B-E=OL C-B=0.65 B-C=OL C-E=OL E-C=OL", {"type": "OC71"}, "undecided",
         "the marking oc71 does not fit", "over 99"),
        ("E-B=0.16 B-E=OL C-B=0.15 B-C=OL C-E=OL E-C=OL", {"type": "OC71"}, "good", "pnp germanium",
         "marking"),
        ("B-E=0.16 E-B=OL B-C=0.15 C-B=OL C-E=OL E-C=OL", {"type": "MJE13005"}, "undecided",
         "the marking mje13005 does not fit", "over 99"),
        ("A-K=0.62 K-A=OL", {"type": "OA91"}, "undecided", "the marking oa91 does not fit", "over 99"),
        ("A-K=0.2 K-A=OL", {"type": "BYV26C"}, "undecided", "the marking byv26c does not fit", "over 99"),
        ("A-K=0.55 K-A=OL", {"type": "BYV26C"}, "good", "silicon", "marking"),
        ("1-2=0.002 2-1=0.002 1-3=OL 3-1=OL 2-3=OL 3-2=OL", {"type": "IRF540"},
         "undecided", "mosfet", "replace"),
        # ohms are readings
        ("B-E=8.1k E-B=8.1k B-C=0.62 C-B=OL C-E=OL E-C=0.52", {}, "undecided", "darlington", "replace"),
        ("B-E=1.2kohm E-B=OL B-C=1.15kohm C-B=OL C-E=OL E-C=OL",
         {"meter_resistance": "2kohm", "meter_open_voltage": "1.5V"}, "good", "b-e 1.2 kΩ", "not read"),
    ],
)  # fmt: skip
def test_what_lies_on_a_bench(text, more, verdict, wants, never):
    result = judged(text, **more)
    words = said(result)
    assert not verdict or words.startswith(verdict), words
    assert wants.lower() in words, words
    for word in filter(None, never.split("|")):
        assert word not in words, words
