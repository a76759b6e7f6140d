"""Words that people read: signs of units, names of junctions, one word for each thing, errors that help."""

import html
import importlib
import io
import re

import pytest

from junction.base.records import spelled
from junction.base.units import nominal, parse_quantity
from junction.cli.commands import COMMANDS, build_parser
from junction.cli.main import main
from junction.demo.bag import demo_files
from junction.shelf.tables import records
from junction.show.blocks import plain, signed
from junction.show.page import prose

#: What stands in nothing that a person reads: Ω, °C, probe, not used and B-E stand there instead.
BANNED = (
    r"(?<![-\w.=[?])[kMm]?ohm\b(?! and count)(?!, and count)", r"[0-9] C\b(?!-)", r"\bgoes with\b",
    r"past the base", r"\bvouch", r"\boutrank", r"\bsitting\b", r"\b(red|black) lead\b", r"\bset aside\b",
    r"(?<![-\w])(BE|BC|CE|AK)(?= (leaky|shorted|open)|:)",
)  # fmt: skip
JOBS = (
    "sort {} -o {}/s", "fit {}",
    "match {} --power 30W --load 8ohm --supply 30V --parallel 2 --emitter-resistor 0.47ohm -o {}/m",
    "check B-E=0.642 E-B=OL B-C=0.003 C-B=0.003 C-E=0.64 E-C=OL --part Q9 -o {}/c",
    "check B-E=0.34 E-B=0.34 B-C=0.655 C-B=OL C-E=OL E-C=0.72 --in-circuit --more",
    "stage --power 80W --load 8ohm --supply 42V --parallel 2 --emitter-resistor 0.22ohm --type MJ15003"
    " --measured-drops 19.5mV,21.2mV,40.4mV,0.1mV --more",
    "resistor 0.33ohm --power 5W --part-power 5W", "substitute 2N3055", "sort {} --more",
    "stage --load 8ohm --supply 42V --emitter-resistor 0.22ohm --measured-drops 19mV,40mV --idle-drop 20mV",
)  # fmt: skip


def found(text):
    """Banned words in a text with what is around them; what is typed, in code or options, is left alone."""
    text = re.sub(r"`[^`]*`|--[a-z-]+ \S+|Write\s[^.]*|\[[?!]\w+", " ", text)
    return [text[max(0, m.start() - 40) : m.end() + 20] for one in BANNED for m in re.finditer(one, text)]


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """What the terminal and the pages of the demo's jobs say: {where: text}."""
    folder = tmp_path_factory.mktemp("words")
    (folder / "bag").mkdir()
    for name, text in demo_files(0).items():
        (folder / "bag" / name).write_text(text, encoding="utf-8")
    said = {}
    for job in JOBS:
        out = io.StringIO()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("sys.stdout", out)
            words = job.replace("{}", str(folder / "bag"), 1) if job.split()[1] == "{}" else job
            assert main(words.replace("{}", str(folder)).split()) in (0, 1)
        said[job] = out.getvalue().replace(str(folder), "")
    for path in folder.glob("[sfmc]/*.html"):
        page = re.sub(r"(?s)<(style|script|pre|code)\b.*?</\1>", " ", path.read_text(encoding="utf-8"))
        page += " ".join(re.findall(r'alt="([^"]*)"', page))
        said[f"{path.parent.name}/{path.name}"] = html.unescape(re.sub(r"<(?!/?su[bp]>)[^>]*>", " ", page))
    return said


def test_no_answer_of_the_demo_holds_a_banned_word(answers):
    wrong = {where: found(text)[:3] for where, text in answers.items()}
    assert not {where: words for where, words in wrong.items() if words}
    together = " ".join(answers.values())
    assert "kΩ" in together and "mΩ" in together and "25 °C" in together and "B-C leaky" in together


def test_no_sentence_and_no_help_holds_a_banned_word():
    said = {name: " ".join(map(str, vars(row).values())) for name, row in records("sentences").items()}
    for name in COMMANDS:
        said[f"{name} --help"] = build_parser(name).of_command[name].format_help()
    # fields of a template and the word that an input is typed with are no text
    bare = {name: re.sub(r"\{[^}]*\}|bare numbers are ohm|`[^`]*`", "1", text) for name, text in said.items()}
    wrong = {name: found(text)[:3] for name, text in bare.items() if name != "sitting_type"}
    assert not {name: words for name, words in wrong.items() if words}


def test_every_sign_of_ohm_is_read_and_none_collides_where_it_cannot_be_shown():
    for written in ("4.7k\u03a9", "4.7k\u2126", "4.7 kohm", "4k7", "4.7kR"):
        assert parse_quantity(written, "resistance") == pytest.approx(4700.0)
    assert plain(nominal(0.0047, "ohm")) == "4.7 milliohm" and plain(nominal(4.7e6, "ohm")) == "4.7 megohm"
    assert plain(nominal(4700.0, "ohm")) == "4.7 kohm"


def test_common_practice_is_a_sign_that_is_told_once(answers):
    for where in (JOBS[5], "m/match.html"):
        text = " ".join(answers[where].split())
        assert text.count("common practice, no source") == 1 < text.count("†"), where
    assert signed("10 mV (common practice, no source), warm") == "10 mV†, warm"
    assert signed("(10 to 26 mV; common practice, no source)") == "(10 to 26 mV†)"
    assert signed("in the end (common practice, no source; its chart says)") == "in the end† (its chart says)"
    assert signed("common practice, no source") == "common practice, no source"  # a source keeps its words


def test_letter_symbols_have_subscripts_and_names_have_none():
    assert prose("V_BE, h_FE & V_CE(sat)") == "V<sub>BE</sub>, h<sub>FE</sub> &amp; V<sub>CE(sat)</sub>"
    assert prose("R_thJC, I_CBO") == "R<sub>thJC</sub>, I<sub>CBO</sub>"
    for name in ("Q_BE", "part_V_BE", "R_12", "C_B", "T_1", "V_BE_2", "sweep-V_BE.csv"):
        assert prose(name) == name


def test_junctions_are_spelled_and_tags_are_not():
    assert spelled("BE shorted", "CE leaky", "AK") == "B-E shorted, C-E leaky, A-K"
    assert spelled("A-AK shorted", "BC547 BEC", "AK-K open") == "A-AK shorted, BC547 BEC, AK-K open"


@pytest.mark.parametrize(("words", "said"), [
    ("stage --power 80", "--power 80 has no unit. Write 80W."),
    ("stage --power -80W", "--power -80W must be above 0 W. Write it without the minus: 80W."),
    ("stage --power", "--power has no value. Write --power 80W."),
    ("stage --parallel two", "--parallel two is not a whole number. Write 2."),
    ("stage --emitter-resistor 0.22", "--emitter-resistor 0.22 has no unit. Write 0.22ohm."),
    ("check B-E=0.6 --leads QQ", "--leads QQ is none of 123, BCE, AK"),
    ("check B-E=655", "B-E=655: write 655mV or 655ohm."),
    ("check 0.612", "'0.612': between which leads? Write B-E=0.612, red probe first."),
    ("sort", "what is it about? Write junction sort readings.csv"),
])  # fmt: skip
def test_an_error_says_what_to_write_for_this_option(words, said, capsys):
    try:
        status = main(words.split())
    except SystemExit as stop:
        status = stop.code
    assert (status, capsys.readouterr().err) == (2, f"junction {words.split()[0]}: {said}\n")


def test_the_name_alone_lists_the_jobs(capsys):
    with pytest.raises(SystemExit) as stop:
        main([])
    lines = capsys.readouterr().out.splitlines()
    assert stop.value.code == 2 and [line.split()[0] for line in lines] == list(COMMANDS)


def test_every_example_is_one_that_its_option_takes():
    for name, (module, _) in COMMANDS.items():
        for one in getattr(importlib.import_module(module), name).options:
            assert one.example or one.kind in ("flag", "text", "names", "own", "pictures")
            assert not one.example or one.value(one.example) is not None


def test_a_cell_that_is_not_used_is_told_with_what_to_write(tmp_path, capsys):
    (tmp_path / "bag.csv").write_text("part,B-E,E-B\nQ1,0.6S2,OL\nQ2,655,OL\n")
    main(["sort", str(tmp_path / "bag.csv")])
    lines = [line.rpartition("/")[2] for line in capsys.readouterr().err.splitlines()[1:]]
    assert lines == ["bag.csv line 2, B-E: '0.6S2' is not a number. Write V, mV or ohm.",
                     "bag.csv line 3, B-E: '655': write 655mV or 655ohm."]  # fmt: skip
