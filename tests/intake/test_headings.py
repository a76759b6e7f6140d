"""Headings: every spelling of a quantity with its unit, placements, and what is not understood."""


from junction.base.records import BJT_PLACEMENTS, DIODE_PLACEMENTS, NUMBER_PLACEMENTS
from junction.intake.cells import parse_heading, parse_placement, recognise, why_no_table
from tests.rows import every_row


@every_row(
    ("heading", "name", "factor"),
    [
        ("v_V", "v", 1.0), ("v_mV", "v", 1e-3), ("V (mV)", "v", 1e-3), ("V [mV]", "v", 1e-3),
        ("V(V)", "v", 1.0),
        ("U/mV", "v", 1e-3), ("voltage_V", "v", 1.0), ("Voltage (V)", "v", 1.0), ("v mV", "v", 1e-3),
        ("i_A", "i", 1.0), ("i_uA", "i", 1e-6), ("I (µA)", "i", 1e-6), ("I (μA)", "i", 1e-6),
        ("I [nA]", "i", 1e-9),
        ("current mA", "i", 1e-3), ("ic_mA", "ic", 1e-3), ("I_C (mA)", "ic", 1e-3), ("IC/mA", "ic", 1e-3),
        ("ib_uA", "ib", 1e-6), ("I_B [µA]", "ib", 1e-6), ("vce_V", "vce", 1.0), ("V_CE (V)", "vce", 1.0),
        ("vbe_mV", "vbe", 1e-3), ("V_BE [mV]", "vbe", 1e-3), ("UBE/V", "vbe", 1.0), ("temp_C", "temp", 1.0),
        ("T (°C)", "temp", 1.0), ("temperature [degC]", "temp", 1.0), ("hFE", "hfe", 1.0),
        ("h_FE", "hfe", 1.0),
    ],
)  # fmt: skip
def test_quantity_and_unit(heading, name, factor):
    column = parse_heading(3, heading)
    assert (column.name, column.factor, column.problem, column.index) == (name, factor, "", 3)


@every_row("heading", ["v", "V", "I", "I_C", "V_BE", "vce", "temp", "current"])
def test_a_heading_without_unit_has_no_factor(heading):
    column = parse_heading(0, heading)
    assert column.name and column.factor != column.factor and not column.problem


@every_row("placement", [*BJT_PLACEMENTS, *NUMBER_PLACEMENTS, *DIODE_PLACEMENTS])
def test_placements_in_all_their_spellings(placement):
    x, y = placement.split("-")
    for text in (placement, placement.lower(), f"{x} - {y}", f"{x}–{y}", f"{x}→{y}",
    f"{x}_{y}", f"{x}/{y}", f"{x} {y}"):  # noqa: RUF001
        assert parse_placement(text) == placement
        assert parse_heading(0, text).placement == placement
    for text, factor in ((f"{placement} (mV)", 1e-3), (f"{placement}_mV", 1e-3), (f"{placement} [ohm]", 1.0)):
        column = parse_heading(0, text)
        assert (column.placement, column.factor, column.problem) == (placement, factor, "")


@every_row("text", ["B-B", "B-X", "1-5", "B-1", "B-E-C", "", "-", "BB", "AC", "12", "B.E", "1-1", "I-A"])
def test_what_is_no_placement(text):
    assert parse_placement(text) == ""


@every_row(
    ("heading", "says"),
    [
        ("v_A", "unit of current"), ("i_V", "unit of voltage"), ("ic (MA)", "did you mean mA"),
        ("temp_K", "temperature"), ("B-E (A)", "not a unit of a meter reading"), ("part (mm)", "has no unit"),
        ("junctoin", "nearest is 'junction'"), ("B.E", "nearest is 'B-E'"), ("ID_mA", "not understood"),
        ("I_D", "unit of current"),
        ("red led", "nearest is 'red'"),
        ("02. Jan", "a date"), ("1-Feb", "a date"), ("2026-01-02", "a date"), ("xyzzy", "not understood"),
        ("", "without a heading"),
    ],
)  # fmt: skip
def test_faulty_headings_say_why(heading, says):
    assert says in parse_heading(0, heading).problem


@every_row(
    ("headings", "form"),
    [
        ("part,B-E", "wide readings"), ("part,1-2,3-1", "wide readings"),
        ("tag,A-K,K-A,note", "wide readings"),
        ("part,hFE,ic_mA", "wide readings"), ("part,vbe_mV,ic_mA,temp_C", "wide readings"),
        ("part,hFE,vbe_mV,ic_mA,vce_V", "wide readings"), ("part,red,black,value", "long readings"),
        ("part,Red lead,Black lead,reading,hFE", "long readings"), ("part,junction,v_V,i_A", "sweeps"),
        ("temp_C,i_mA,v_mV,junction,part", "sweeps"), ("part,vce_V,vbe_V,ib_A,ic_A", "curves"),
        ("part,vce_V,ib_uA,ic_mA", "curves"), ("part,vce_V,vbe_V,ic_mA", "curves"), ("part,v_V,i_A", ""),
        ("part", ""), ("B-E,E-B", ""), ("part,vce_V,ic_A", ""), ("part,red,black", ""),
    ],
)  # fmt: skip
def test_forms_are_recognised_by_their_headings(headings, form):
    columns = [parse_heading(k, h) for k, h in enumerate(headings.split(","))]
    assert recognise(columns) == form
    if not form:
        assert "missing" in why_no_table(columns) or "not understood" in why_no_table(columns)


@every_row(
    ("headings", "says"),
    [
        ("part,v_V,i_A", "missing: junction"), ("junction,v_V,i_A", "missing: part"),
        ("B-E,E-B", "missing: part"),
        ("part,red,black", "missing: value"), ("part,vce_V,ic_A", "missing: vbe_V or ib_A"),
        ("part,junctoin,v_V,i_A", "'junctoin': nearest is 'junction'"),
        ("foo,bar", "understood are wide readings: part"),
    ],
)  # fmt: skip
def test_why_a_table_is_not_recognised(headings, says):
    columns = [parse_heading(k, h) for k, h in enumerate(headings.split(","))]
    assert says in why_no_table(columns)
