"""What a number says by itself, whether the type is on the shelf or not (from memory)."""

from junction.shelf.names import number_family, number_says
from junction.shelf.tables import records
from junction.shelf.types import near_types, type_shelf
from tests.rows import every_row
from tests.shelf.reference import read, replaced

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
    (MOSFET, "FGA25N120ANTD IRG4PC50U IKW40N120 GT60N321 STGW30NC60"), (GATE, "2N2646 2N6027"),
    (IC, "ULN2003A CA3046 LM394"), ("", "2SC3381 BCV61 2N2920 BC847BS"), (MOSFET, "3N140"),
    (GATE, "2SF102 CR3AM"), ("", "2SA1015 A1015-GR A733 2SA12"), ("", "2SB772 B772"), ("", "C9012 C9014"),
    ("", "C1815 2SC9999"),
    ("", "2SD882 D882-Y"), ("", "KSA992 KTA1266"), ("", "KSC1845 KTC3198 KTD1047"), ("", "1SS133 1S1588"),
    ("", "1N4148 1N34A"), ("", "2N3055 2N9999"), ("", "BZX79C5V1 BZX55C12 BZY88C5V6 ZPD10 BZX85C3V3"),
    ("", "BZX84"), ("", "AC128 ACY21"), ("", "AD149 AU106"), ("", "AF127 ASY27"), ("", "AA119 OA90"),
    ("", "OC71 OC44"), ("", "OC140"), ("", "BC999 BCY71"), ("", "BD777 BDX33"), ("", "BF459 BFR90"),
    ("", "BU208A BSX20"),
    ("", "BAT43"), ("", "BAV21 BA157"), ("", "BB112"), ("", "BY229 BYX10"), ("", "UF4007 MUR120"),
    ("", "MBR1045 SS14"), ("", "TIP41 MJE13007"), ("", "TIP42"), ("", "TIP48 MJ802"),
    ("", "D44C8"), ("", "D45C8"), ("", "MP42 GT402"),
    ("", "2STA1962"), ("", "S9012 SS9015"), ("", "S9014 SS9018"), ("", "MPSA42 PN2222 MMBT3904 S8050"),
)  # fmt: skip


def test_every_row_says_its_kind_and_moves_an_answer():
    _, _, rows = read("numbers")
    assert len(rows) == len(NUMBERS)
    for k, (kind, numbers) in enumerate(NUMBERS):
        told = {number: number_says(number) for number in numbers.split()}
        for number, row in told.items():
            assert row and row.says and row.basis == "from memory", number
            assert kind in row.kinds if kind else not row.kinds, number
            assert row.name == rows[k][0], f"{number} is found by {row.name}"
        with replaced("numbers", [*rows[:k], *rows[k + 1 :]]):
            lost = [n for n in told if (other := number_says(n)) is None or other.says != told[n].says]
            assert lost or any(number_says(n).name != told[n].name for n in told), rows[k][0]


def test_no_registered_bipolar_or_diode_number_is_taken_for_another_kind():
    others = (
        "BC547 BD139 MJE13007 BUX48 BU508A MPSA42 S9014 D1047 C1815 A1015 BF199 BF422 BF459 BFR90 KSC1815"
        " KTC3198 PN2222A P2N2222A SS8050 MJL21194 BAT41 BAV21 BY229 UF4007 BZX79C5V1 C945 D44H11 TIP3055"
        " E13007 J13007 BCR BT JK K1 J1 W5"
    )
    for number in (*type_shelf().names(), *others.split(), "", "?"):
        assert number_family(number) is None, number


@every_row(
    ("number", "polarity", "volts", "words"),
    [
        ("2SA9999", "PNP", "", "germanium"), ("b772", "PNP", "", "PNP"), ("2SC9999-GR", "NPN", "", "silicon"),
        ("D1555", "", "", "damper"), ("KTC9999", "NPN", "", "silicon"), ("BC999", "", "", "small silicon"),
        ("AD149", "", "", "germanium power"), ("BZX79C5V1", "", 5.1, "of 5.1 V"),
        ("BZX79-C12", "", 12, "12 V"),
        ("BZX55 C5.6", "", 5.6, "5.6 V"), ("BZX55C9,1", "", 9.1, "9.1 V"), ("BZT03C100", "", 100, "100 V"),
        ("1N9999", "", "", "a diode"), ("IRF54O", "", "", "MOSFET"),
    ],
)  # fmt: skip
def test_what_a_number_states(number, polarity, volts, words):
    told = number_says(number)
    assert told.polarity == polarity and words in told.says
    assert told.volts == volts if volts else told.volts != told.volts


def test_no_number_on_the_shelf_says_otherwise_than_its_row():
    shelf = type_shelf()
    for device in ("bjt", "diode"):
        for part in shelf.all(device):
            told = number_says(part.name)
            assert told is not None and told.polarity in ("", part.polarity), part.name
            says_diode = any(word in told.says for word in ("diode", "rectifier"))
            assert says_diode == (device == "diode"), f"{part.name}: {told.says}"
            if "germanium" in told.says and "oldest" not in told.says:
                assert part.material == "germanium", part.name
            if told.volts == told.volts:
                assert part.find("V_Z")[0].typical == told.volts, part.name


def test_what_is_near_nothing():
    for written in ("", " ", "Q", "?", "-", "XYZ", "(", "[A", "1N", "$"):
        assert near_types(written) == []


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
