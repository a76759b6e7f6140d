"""What a number says by itself: near names, Japanese markings, and numbers of other kinds (from memory)."""

from junction.shelf.names import number_family
from junction.shelf.tables import records
from junction.shelf.types import find_type, near_types, type_shelf
from tests.rows import every_row
from tests.shelf.reference import read, replaced
from tests.shelf.test_types import HEAD

FET, MOSFET, IC, GATE = "junction FET", "MOSFET", "regulator or other IC", "thyristor or triac gate"
PREBIASED = "built-in base resistors"
#: Numbers in the order of the rows of numbers.csv, every row with some of its own.
NUMBERS = (
    (FET, "2N3819 2N5457 2N-5461 2n4391"), (FET, "BF245 BF245B BF256 MPF102"), (FET, "J112 J201 J175 J309"),
    (FET, "2SK170 2SK170-GR K30A 2SJ74 K117"), (MOSFET, "2SK1058 K1058 2SJ162 2SK2013-Y"),
    (MOSFET, "IRF540 IRFP240 IRF540N irl540 IRFZ44N"), (MOSFET, "BUZ11 BUZ901"),
    (MOSFET, "STP16NF06 STW20NK50Z MTP3055N"), (MOSFET, "FQP30N06 RFP50N06 FQA11N90"),
    (MOSFET, "2N7000 BS170 BSS138"), (IC, "7805 L7812CV LM7805 78L05 MC78M05CT"), (IC, "7905 L7912 79L15"),
    (IC, "LM317 LM317T LM337 AMS1117-3.3"), (IC, "TL431 LM336"), (GATE, "BT151 BT151-500R BT169D"),
    (GATE, "TIC106 TIC106D TIC126 MCR100-6"), (GATE, "C106D C106 2N6394 2N6405 2N5060 BRX49"),
    (GATE, "BTA16-600B BTB12 BT136 BT139-600"), (GATE, "TIC226D MAC97A6 2N6073"),
    (PREBIASED, "DTA143 DTC114EK DTA124 BCR108"), (PREBIASED, "RN1003 RN2203 KSR1003 MUN5211 MUN2111"),
    ("optocoupler", "4N25 4N35 4N28 H11A1"), ("optocoupler", "PC817 CNY17-3 TLP521 LTV817 MOC3041"),
    ("bridge", "KBP206 KBL04 KBPC3510 GBU4J W04M W10"), ("bridge", "DB107 B40C1500 B80C800 MB6S"),
    ("damper diode and base-emitter resistor", "BU508D BU2508DF BUH615D 2SD1555 D1877"),
)  # fmt: skip


def test_every_row_says_its_kind_and_moves_an_answer():
    _, _, rows = read("numbers")
    assert len(rows) == len(NUMBERS)
    for k, (kind, numbers) in enumerate(NUMBERS):
        told = {number: number_family(number) for number in numbers.split()}
        for number, row in told.items():
            assert row and kind in row.kinds and row.says and row.basis == "from memory", number
            assert row.name == rows[k][0], f"{number} is found by {row.name}"
        with replaced("numbers", [*rows[:k], *rows[k + 1 :]]):
            lost = [n for n in told if (other := number_family(n)) is None or other.says != told[n].says]
            assert lost or any(number_family(n).name != told[n].name for n in told), rows[k][0]


def test_no_registered_bipolar_or_diode_number_is_taken_for_another_kind():
    others = (
        "BC547 BD139 MJE13007 BUX48 BU508A MPSA42 S9014 D1047 C1815 A1015 BF199 BF422 BF459 BFR90 KSC1815"
        " KTC3198 PN2222A P2N2222A SS8050 MJL21194 BAT41 BAV21 BY229 UF4007 BZX79C5V1 C945 D44H11 TIP3055"
        " E13007 J13007 BCR BT JK K1 J1 W5"
    )
    for number in (*type_shelf().names(), *others.split(), "", "?"):
        assert number_family(number) is None, number


@every_row(
    ("written", "near"),
    [
        ("2N2905B", "2N2905A"), ("TIP41", "TIP41C"), ("2N3055H", "2N3055"),
        ("BC547D", "BC547"), ("bc 548d", "BC548"), ("1N4728", "1N4728A"),
        ("3055", "2N3055"), ("C547B", "BC547B"), ("4148", "1N4148"),
        ("2N39O4", "2N3904"),
    ],
)  # fmt: skip
def test_the_nearest_type_comes_first_and_is_not_taken_for_it(written, near):
    assert find_type(written) is None
    found = near_types(written)
    assert found[0] is find_type(near) and len(found) <= 4


def test_what_is_near_nothing():
    for written in ("", " ", "Q", "?", "-", "XYZ", "(", "[A", "1N", "$"):
        assert near_types(written) == []


JIS = HEAD + "".join(
    f"{name},{'PNP' if name[2] in 'AB' else 'NPN'},silicon,50,0.15,0.4,ambient 25C,125,TO-92,measured\n"
    for name in ("2SC9815", "2SA9015", "2SD9047", "2SB988", "2SD969A")
)


@every_row(
    ("written", "name"),
    [
        ("C9815", "2SC9815"), ("c9815gr", "2SC9815"), ("C9815-Y", "2SC9815"), ("2SC9815 BL", "2SC9815"),
        ("2SC9815", "2SC9815"), ("A9015", "2SA9015"), ("A9015-GR", "2SA9015"), ("D9047", "2SD9047"),
        ("D9047-E", "2SD9047"), ("B988-O", "2SB988"), ("b 988", "2SB988"), ("D969A", "2SD969A"),
        ("D969A-C", "2SD969A"), ("D969", None), ("C9815A", None), ("D9047X", None),
        ("9815", None), ("SC9815", None),
    ],
)  # fmt: skip
def test_japanese_parts_drop_the_2s_and_gain_groups(tmp_path_factory, written, name):
    path = tmp_path_factory.mktemp("types") / "mine.csv"
    path.write_text(JIS, encoding="utf-8")
    found = find_type(written, (path,))
    assert (found and found.name) == name


def test_a_pattern_that_is_none_is_named_by_line():
    _, _, rows = read("numbers")
    with replaced("numbers", [["(", *rows[0][1:]], *rows[1:]]):
        try:
            number_family("BC547")
        except ValueError as error:
            assert "numbers.csv, line 2" in str(error) and "no regular expression" in str(error)
        else:
            raise AssertionError("a broken pattern is taken")
    assert {row.basis for row in records("numbers").values()} == {"from memory"}
