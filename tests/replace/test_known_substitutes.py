"""Substitutes that are known from registrations, from makers' pairs and from the bench, each with its source.

`offered`: among the first three of the shelf.  `does`: meets or exceeds.  `short`: falls short, by the figure
named.  `never`: in no list of ten.  `own`: a gain group of the original that is said to do, and not offered.
`pair`: offered among the first five with that part on the other side.
"""

from functools import cache

from junction.replace.substitute import compare
from junction.replace.suggest import own_groups, suggest
from junction.shelf.types import find_type, type_shelf
from tests.rows import every_row

JEDEC = "JEDEC registrations: steps of one family"
SHEET = "maker's sheet: steps or gain groups of one family"
PAIR = "registered complements, reference/complements.csv"
REPLACES = "maker's sheet: the same type made under the number of another house"
BENCH = "common practice, no source"

CASES = [
    # rectifiers: a higher step stands in, a lower one does not
    ("1N4001", "1N4002", "offered", JEDEC), ("1N4002", "1N4003", "offered", JEDEC),
    ("1N4001", "1N4007", "does", JEDEC), ("1N4005", "1N4006", "offered", JEDEC),
    ("1N4006", "1N4007", "offered", JEDEC), ("1N4007", "1N4004", "short V_RRM", JEDEC),
    ("1N4004", "1N4003", "short V_RRM", JEDEC), ("1N5404", "1N5408", "does", JEDEC),
    ("1N5408", "1N5404", "short V_RRM", JEDEC), ("1N5817", "1N5818", "offered", JEDEC),
    ("1N5818", "1N5819", "offered", JEDEC), ("1N5819", "1N5817", "short V_RRM", JEDEC),
    ("1N5820", "1N5822", "does", JEDEC), ("1N4933", "1N4934", "offered", JEDEC),
    ("1N4937", "1N4933", "short V_RRM", JEDEC), ("1N5059", "1N5060", "offered", JEDEC),
    # what is fast stands in for what is slow, not the other way round
    ("1N4007", "UF4007", "offered", BENCH), ("UF4007", "1N4007", "short kind", BENCH),
    ("1N4148", "1N4007", "short kind", BENCH), ("1N4148", "1N4001", "never", BENCH),
    ("1N4148", "1N4448", "offered", JEDEC), ("1N914", "1N4148", "offered", JEDEC),
    ("1N4001", "1N5817", "short V_RRM", BENCH), ("1N34A", "1N5711", "offered", BENCH),
    ("UF4004", "UF4005", "offered", SHEET),
    # Zeners: the voltage first, then the power
    ("1N4733A", "1N5338B", "offered", BENCH), ("1N4733A", "BZX85C5V1", "offered", BENCH),
    ("1N4733A", "1N4741A", "never", BENCH), ("1N4733A", "1N5231B", "short P_tot", JEDEC),
    ("1N5231B", "BZX55C5V1", "offered", BENCH), ("1N4742A", "1N4743A", "short V_Z", JEDEC),
    ("1N4742A", "BZX85C12", "offered", BENCH), ("1N5231B", "1N4733A", "offered", BENCH),
    # small transistors
    ("2N2222", "2N2222A", "offered", JEDEC), ("BC548", "BC547", "does", SHEET),
    ("BC548B", "BC547B", "does", SHEET), ("BC547", "BC548", "short V_CEO", SHEET),
    ("BC558", "BC557", "does", SHEET), ("BC557", "BC558", "short V_CEO", SHEET),
    ("BC547B", "BC546B", "offered", SHEET), ("BC547C", "BC547A", "short h_FE", SHEET),
    ("BC549C", "BC550C", "offered", SHEET), ("BC327-25", "BC327-40", "own", SHEET),
    ("2N3904", "2N4401", "offered", BENCH), ("2N3906", "2N4403", "offered", BENCH),
    ("2N3904", "2N3440", "never", BENCH), ("2N3904", "TIP3055", "never", BENCH),
    ("2N5551", "2N5550", "offered", JEDEC), ("2N4403", "MPS2907A", "offered", BENCH),
    ("2SC1845", "KSC1845", "offered", REPLACES), ("2SA992", "KSA992", "offered", REPLACES),
    ("2SC1815", "2SA1015", "short polarity", PAIR), ("BF422", "BF420", "offered", SHEET),
    ("2SC1815GR", "2SC1815O", "short h_FE", SHEET), ("2SC1815GR", "2SC1815BL", "own", SHEET),
    # drivers and output transistors, with the other side of the pair
    ("BD249B", "BD249C", "does", SHEET), ("TIP31C", "TIP41C", "pair TIP42C", PAIR),
    ("TIP41C", "BD243C", "pair BD244C", PAIR), ("TIP35C", "BD249C", "pair BD250C", PAIR),
    ("2N3055", "MJ15003", "pair MJ15004", PAIR), ("2N3773", "MJ15022", "pair MJ15023", PAIR),
    ("MJ15003", "MJ21194", "pair MJ21193", PAIR), ("MJ21193", "MJ21195", "pair MJ21196", PAIR),
    ("2SC3281", "MJL3281A", "pair MJL1302A", PAIR), ("2SC5200", "MJL3281A", "pair MJL1302A", PAIR),
    ("2SA1943", "MJL1302A", "pair MJL3281A", PAIR), ("2SC3281", "2SC5200", "pair 2SA1943", PAIR),
    ("2SD718", "2SD1047", "pair 2SB817", PAIR), ("2SB688", "2SB817", "pair 2SD1047", PAIR),
    ("TIP142", "BDV65B", "pair BDV64B", PAIR), ("BDX53C", "BDX33C", "pair BDX34C", PAIR),
    ("TIP122", "TIP41C", "short structure", BENCH), ("2SA1943", "2N6609", "short V_CEO", BENCH),
    ("2SC2073", "2SC2344", "offered", BENCH), ("2SC3503", "KSC3503", "offered", REPLACES),
    ("BD139", "BD139-10", "own", SHEET), ("BD679", "BD681", "pair BD682", PAIR),
    ("2N404", "2N3906", "short material", BENCH), ("2SD313", "2SD880", "does", BENCH),
]  # fmt: skip


@cache
def offered(name):
    return suggest(find_type(name), type_shelf(), 10)


def type_of(one):
    """The type itself where a gain group of it is named."""
    return find_type(one).group_of or one


@every_row(("original", "candidate", "expected", "source"), CASES)
def test_what_is_known_to_stand_in(original, candidate, expected, source):
    found = offered(original)
    names = [one.candidate for one in found]
    alike = [*names, *map(type_of, names)]
    how, _, what = expected.partition(" ")
    if how == "offered":
        assert candidate in (*names[:3], *map(type_of, names[:3])), names
    elif how == "pair":
        place = [type_of(name) for name in names].index(type_of(candidate))
        assert place < 5 and type_of(found[place].pair) == what, (place, found[place].pair)
    elif how == "own":
        assert candidate in own_groups(find_type(original), type_shelf()) and candidate not in names
    elif how == "never":
        assert candidate not in alike
    else:
        result = compare(find_type(original), find_type(candidate))
        assert (result.result == "falls short") == (how == "short"), result.result
        assert not what or what in {x.partition(" at ")[0] for x in result.figures("falls short", True)}


OWN = [
    ("2SC1815", ("2SC1815O", "2SC1815Y", "2SC1815GR", "2SC1815BL")), ("2SC1815GR", ("2SC1815BL",)),
    ("BC547B", ("BC547C",)), ("BD139-16", ()), ("2SA970GR", ("2SA970BL",)), ("2N3055", ()),
]  # fmt: skip


@every_row(("original", "groups"), OWN)
def test_groups_of_the_type_itself_are_said_where_they_meet_its_gain_and_never_offered(original, groups):
    part = find_type(original)
    assert set(own_groups(part, type_shelf())) == set(groups)
    own = part.group_of or part.name
    assert not [one.candidate for one in offered(original) if own in (one.candidate, type_of(one.candidate))]


def test_there_are_more_than_fifty_and_each_has_a_source():
    assert len({case[:2] for case in CASES}) == len(CASES) > 50
    assert all(case[3] for case in CASES)
