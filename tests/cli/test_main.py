"""The entry point: known errors are one line, and only the asked command is imported."""

import importlib
import re
import subprocess
import sys
from types import SimpleNamespace

import pytest

import junction
from junction.base.errors import InputError, JunctionError
from junction.base.records import Bag, SetAside
from junction.cli import commands as entry
from junction.cli.main import main
from junction.jobs.job import Result, job
from junction.judge.results import SortReport
from junction.shelf.tables import default_meter


@pytest.fixture
def command(monkeypatch):
    """A command ``try`` that raises, or has so many rows set aside."""

    def put(error=None, left=0):
        def attempt(words, o):
            if error:
                raise error
            items = tuple(SetAside("a.csv", k + 1, "", "", "spoiled") for k in range(left))
            return Result("sort", SortReport((), default_meter(), Bag(set_aside=items)))

        made = job(inputs=("words", "*", "WORD", "words"), writes="nothing")(attempt)
        monkeypatch.setattr(entry, "COMMANDS", {"try": ("fake", "a command")})
        fake, real = SimpleNamespace(**{"try": made}), importlib.import_module
        monkeypatch.setattr(importlib, "import_module", lambda name: fake if name == "fake" else real(name))

    return put


@pytest.mark.parametrize(("left", "status"), [(0, 0), (1, 1), (3, 1)])
def test_status_tells_whether_rows_were_set_aside(command, left, status):
    command(left=left)
    assert main(["try"]) == status


@pytest.mark.parametrize("error", [JunctionError("went wrong"), InputError("no number", "a.csv", 3, "B-E")])
def test_a_known_error_is_one_line(command, capsys, error):
    command(error=error)
    assert main(["try"]) == 2
    out, err = capsys.readouterr()
    assert out == "" and err == f"junction try: {error}\n"


def test_control_characters_in_an_error_are_shown(command, capsys):
    command(error=InputError("bad \x1b[2J cell", "a\x07.csv"))
    assert main(["try"]) == 2
    assert capsys.readouterr().err == "junction try: a\\x07.csv: bad \\x1b[2J cell\n"


def test_an_interrupt_is_said(command, capsys):
    command(error=KeyboardInterrupt())
    assert main(["try"]) == 2
    assert "junction try: stopped" in capsys.readouterr().err


def test_version(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["--version"])
    assert stop.value.code == 0 and capsys.readouterr().out == f"junction {junction.__version__}\n"


@pytest.mark.parametrize("name", entry.COMMANDS)
def test_every_command_has_help_with_units_and_no_short_words(name, capsys):
    with pytest.raises(SystemExit) as stop:
        main([name, "--help"])
    text = capsys.readouterr().out
    assert stop.value.code == 0 and entry.COMMANDS[name][1].split(":")[0] in re.sub(r"\s+", " ", text)
    options = set(re.findall(r"(?<!\w)-\w\b", text)) - {"-h", "-o"}
    assert not options, f"an option in a letter: {options}"


def test_only_the_asked_command_is_imported():
    code = (
        "import sys; from junction.cli.commands import build_parser; build_parser('sort');"
        "names = [n for n in sys.modules if n.startswith('junction.cli.')];"
        "assert 'junction.cli.match' not in names and 'junction.cli.check' not in names, names"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 0, run.stderr


# --- mistyped words -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["chek", "B-E=0.6"], "junction: there is no command chek; did you mean check?"),
        (["substitue", "2N3055"], "did you mean substitute?"),
        (["Check", "B-E=0.6"], "did you mean check?"),
        (["--vresion"], "did you mean --version?"),
        (["xyzzy"], "there are check, sort, fit"),
        (["check", "B-E=0.6", "--in-circut"], "junction check: there is no option --in-circut; did you mean"
         " --in-circuit?"),
        (["sort", "a.csv", "--temperatur=23C"], "did you mean --temperature?"),
        (["resistor", "1ohm", "--qqq"], "there is no option --qqq"),
        # the one that is required, mistyped: not "is required"
        (["stage", "--powr", "80W", "--load", "8ohm", "--supply", "45V"], "did you mean --power?"),
        (["fit", "a.csv", "-q"], "junction fit: not understood: -q"),
    ],
)
def test_a_mistyped_word_is_told_what_it_is_near_to(words, said, capsys):
    with pytest.raises(SystemExit) as stop:
        main(words)
    assert stop.value.code == 2
    out, err = capsys.readouterr()
    assert out == "" and said in err and err.count("\n") == 1


def test_an_option_that_is_no_option_after_two_dashes(capsys):
    # past -- everything is a name: here a file that does not exist
    assert main(["sort", "--", "--al"]) == 2
    assert "no such file" in capsys.readouterr().err


@pytest.mark.parametrize("name", entry.COMMANDS)
def test_help_shows_percent_signs_once(name, capsys):
    with pytest.raises(SystemExit):
        main([name, "--help"])
    assert "%%" not in capsys.readouterr().out


@pytest.mark.parametrize(("words", "told"), [
    (["fit", "x.csv", "--temp", "23"], "did you mean --temperature?"),
    (["resistor", "470k", "--stock", "E13"], ""),
])  # fmt: skip
def test_an_option_that_starts_as_typed_is_offered_and_nothing_far_off(words, told, capsys):
    with pytest.raises(SystemExit):
        main(words)
    err = capsys.readouterr().err.strip()
    assert err.endswith(told or "there is no option --stock")
