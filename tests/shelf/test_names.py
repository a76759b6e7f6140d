"""Type numbers as people write them and parts print them: which type, which gain group, which near names."""

import time

from junction.judge.results import type_note, type_notes
from junction.shelf.names import dropped_group
from junction.shelf.types import find_type, near_types, type_shelf
from tests.rows import every_row
from tests.shelf.test_types import HEAD


@every_row(
    ("written", "name", "group"),
    [
        # case, blanks, dashes of every kind, slashes and brackets
        ("bc 547 b", "BC547B", ""), ("BC547-B", "BC547B", ""), ("bc547/b", "BC547B", ""),
        ("BC337/40", "BC337-40", ""), ("bc 337 40", "BC337-40", ""), ("BC337\u201325", "BC337-25", ""),
        ("BC337\u221225", "BC337-25", ""), ("BC337\u00a0\u2011\u00a025", "BC337-25", ""),
        ("TIP-35C", "TIP35C", ""),
        ("TIP 35 C", "TIP35C", ""), ("\uff22\uff23547B", "BC547B", ""), ("2N 3055", "2N3055", ""),
        ("2SC 5200", "2SC5200", ""), ("BD139-16", "BD139-16", ""), ("bzx55 c5v1", "BZX55C5V1", ""),
        ("BZX55C5.1", "BZX55C5V1", ""), ("BZX55-C9,1", "BZX55C9V1", ""),
        # Japanese numbers without 2S, with their groups on the shelf
        ("C1815", "2SC1815", ""), ("A1943", "2SA1943", ""), ("D669A", "2SD669A", ""), ("b 688", "2SB688", ""),
        ("2sc1815-gr", "2SC1815GR", ""), ("c1815 gr", "2SC1815GR", ""), ("2SC1815(GR)", "2SC1815GR", ""),
        ("C1815Y", "2SC1815Y", ""), ("2SC1815/BL", "2SC1815BL", ""), ("A1015 GR", "2SA1015GR", ""),
        ("D1047-E", "2SD1047E", ""), ("C3940AQ", "2SC3940AQ", ""), ("2SC3940A (R)", "2SC3940AR", ""),
        ("A1943-O", "2SA1943-O", ""), ("C2240BL", "2SC2240BL", ""), ("ksc5200 o", "KSC5200-O", ""),
        # the shelf has only the type without its groups
        ("C5200-O", "2SC5200", "O"), ("2SC5200-O(Q)", "2SC5200", "O"), ("2SC5200R", "2SC5200", "R"),
        ("2SB649A-C", "2SB649A", "C"), ("2SC945-K", "2SC945", "K"), ("D669A C", "2SD669A", "C"),
        ("BC182B", "BC182", "B"), ("bc 212 b", "BC212", "B"), ("BC140-16", "BC140-16", ""),
        ("C2240Y", "2SC2240", "Y"), ("S9013H", "S9013H", ""), ("S8050-D", "S8050D", ""),
        # what is printed or typed beside the number
        ("MJ 15003 G", "MJ15003", ""), ("BC547BTA", "BC547B", ""), ("BC547B,112", "BC547B", ""),
        ("1N4148-T", "1N4148", ""), ("2N3773 8240", "2N3773", ""), ("2SC1815 GR 5K", "2SC1815GR", ""),
        ("C945 P 331", "2SC945", "P"), ("BC547C 9A1", "BC547C", ""), ("XYZ 2N3055", "2N3055", ""),
        ("JANTX 2N3055", "JAN2N3055", ""), ("1N914B", "1N4448", ""),
        # letters for digits and the reverse
        ("2N3O55", "2N3055", ""), ("2N39O4", "2N3904", ""), ("1N4OO7", "1N4007", ""),
        ("TIP12O", "TIP120", ""),
        ("IN4148", "1N4148", ""), ("lN4148", "1N4148", ""), ("8C547B", "BC547B", ""),
        ("25C1815", "2SC1815", ""),
        ("2SC18150", "2SC1815O", ""), ("C5200-0", "2SC5200", "O"), ("2SA1O15", "2SA1015", ""),
    ],
)  # fmt: skip
def test_a_marking_finds_its_type(written, name, group):
    found = find_type(written)
    assert found is not None and found.name == name, found and found.name
    assert dropped_group(written, found.name) == group


@every_row(
    ("written", "near"),
    [
        # a voltage step, a version, a tolerance, another process or lead order is not guessed
        ("TIP41", "TIP41C"), ("TIP41A", "TIP41C"), ("2SC2240A", "2SC2240"), ("D669", "2SD669A"),
        ("C1815A", "2SC1815"),
        ("2SA1015L", "2SA1015"), ("2SA1015-L", "2SA1015"), ("BC547-D", "BC547"),
        ("2SC5200N", "2SC5200"), ("D1047X", "2SD1047"), ("2N3055H", "2N3055"),
        ("2SC2240 A", "2SC2240"), ("BC182L", "BC182"), ("BC182LB", "BC182"), ("BC547D", "BC547"),
        ("bc 548d", "BC548"), ("BC337A", "BC337"), ("1N4728", "1N4728A"), ("BC547 B331", "BC547"),
        ("2SB631L", "2SB631"),
        # another maker's letters before the number
        ("KSC1815", "2SC1815"), ("PN2222", "PN2222A"), ("KTA1015", "2SA1015"), ("SC1815", "2SC1815"),
        ("1815", "2SC1815"),
        ("3055", "2N3055"), ("C547B", "BC547B"), ("4148", "1N4148"), ("A92", "MPSA92"), ("8050", "S8050"),
        # two numbers in one marking
        ("2N3055/MJ2955", "2N3055"), ("MJ2955/2N3055", "MJ2955"), ("2SC5200 2SA1943", "2SC5200"),
        # one slip
        ("BC574", "BC547"), ("1N4184", "1N4148"), ("2SC1185", "2SC1815"), ("2SC1816", "2SC1815"),
        ("C1816 GR", "2SC1815"),
        ("BC57", "BC557"), ("2N3554", "2N3054"), ("MJ15033", "MJE15033"), ("2SC520O", "2SC5200"),
        ("TIPP41C", "TIP41C"),
        ("2SA12 34", "2SA12"),
        # a Zener of the voltage that the number states
        ("BZX79C5V1", "1N4733A"),
    ],
)  # fmt: skip
def test_what_is_not_on_the_shelf_is_offered_and_never_taken(written, near):
    assert find_type(written) is None
    found = [part.name for part in near_types(written)]
    assert found and found[0].startswith(near) and len(found) <= 4, found
    assert near in found


def test_two_numbers_in_one_marking_are_both_offered():
    assert [part.name for part in near_types("2N3055/MJ2955")] == ["2N3055", "MJ2955"]


JIS = HEAD + "".join(
    f"{name},{'PNP' if name[2] in 'AB' else 'NPN'},silicon,50,0.15,0.4,ambient 25C,125,TO-92,measured\n"
    for name in ("2SC7815", "2SA7015", "2SD7047", "2SD769A", "2SC724GR")
)


@every_row(
    ("written", "name"),
    [
        ("C7815", "2SC7815"), ("c7815gr", "2SC7815"), ("C7815-Y", "2SC7815"), ("2SC7815 BL", "2SC7815"),
        ("A7015-GR", "2SA7015"), ("D7047-E", "2SD7047"), ("D769A", "2SD769A"), ("D769A-C", "2SD769A"),
        ("D769", None), ("C7815A", None), ("C7815B", None), ("D7047X", None), ("7815", None),
        ("SC7815", None),
        # only the group is on the shelf
        ("C724-GR", "2SC724GR"), ("2SC724", None), ("C724BL", None),
    ],
)  # fmt: skip
def test_types_of_ones_own_are_found_the_same_way(tmp_path_factory, written, name):
    path = tmp_path_factory.mktemp("types") / "mine.csv"
    path.write_text(JIS, encoding="utf-8")
    found = find_type(written, (path,))
    assert (found and found.name) == name


def test_every_name_on_the_shelf_finds_itself_however_it_is_set():
    shelf = type_shelf()
    for name in shelf.names():
        assert shelf.find(name).name == name
        assert shelf.find(name.lower().replace("-", " ")).name == name
        if name[:3] in ("2SA", "2SB", "2SC", "2SD"):
            assert shelf.find(name.removeprefix("2S")).name == name


def test_a_name_is_looked_up_quickly():
    shelf = type_shelf()
    names = [f"{head}{k}" for head in ("2SC9", "BC5", "XY", "1N9") for k in range(700, 725)]
    shelf.near_types("BC999")  # tables are read
    before = time.process_time()
    for name in names:
        shelf.near_types(name)
    # 20 ms a name is asked for; 2 to 5 are usual, the rest is for a slow machine
    assert (time.process_time() - before) / len(names) < 0.02


def test_a_group_that_is_not_on_the_shelf_is_said_and_an_unknown_type_with_what_its_number_says():
    def note(mark):
        return type_note(mark, find_type(mark), reason="type_unknown")

    assert note("") == note("2SC1815-GR") == note("2N3055") == ""
    assert note("2SC5200-O").startswith("The gain group O of 2SC5200 is not on the shelf")
    assert "near: 2SC2240" in note("2SC2240A") and "NPN" in note("2SC2240A")
    assert "a Zener diode of 5.1 V" in note("BZX79C5V1") and "1N4733A" in note("BZX79C5V1")
    assert "a power MOSFET" in note("IRF540") and "near" not in note("IRF540")
    notes = type_notes(["XX99"] * 30 + ["2N3055", ""] + ["YY7"], find_type)
    assert len(notes) == 2 and "XX99" in notes[0] and "30 parts" in notes[0] and "parts" not in notes[1]
