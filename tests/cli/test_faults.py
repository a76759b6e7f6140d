"""Whatever happens around the program: nothing is lost, nothing half done, and one line says what it was."""

import fcntl
import io
import json
import os
import resource
import shutil
import signal
import stat
import subprocess
import sys
import warnings
from pathlib import Path
from time import process_time

import pytest

import junction
from junction.base.errors import OutputError, UsageError
from junction.cli import commands
from junction.cli.main import main
from junction.paper.job_folder import JobFolder
from junction.show import files
from junction.show.files import write_files
from tests.faults import fault, full, tree
from tests.rows import every_row

ROOT = Path(__file__).resolve().parents[2]
GOOD = ["B-E=0.61", "E-B=OL", "B-C=0.61", "C-B=OL", "C-E=OL", "E-C=OL"]
BAG = "part,type,B-E,E-B,B-C,C-B,C-E,E-C\nQ01,2N3055,0.002,0.002,0.61,OL,OL,0.611\nQ02,,0.61,x,,,,\n"
#: Every command with words that give an answer, some of them from a file.
CALLS = {
    "check": GOOD, "sort": ["a.csv"], "fit": ["v.csv"], "match": ["s.csv", "--idle-current", "100mA"],
    "stage": ["--power", "30W", "--load", "8ohm", "--supply", "30V"], "substitute": ["2N3055", "MJ15003"],
    "resistor": ["15ohm"], "demo": ["bag"],
}  # fmt: skip


def forked(*calls):
    """Each call in a process of its own, all at once: exit statuses, negative where a signal ended it."""
    children = []
    sys.stdout.flush()
    for call in calls:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DeprecationWarning)  # of threads that the linear algebra keeps
            child = os.fork()
        if child == 0:
            status = 99
            try:
                null = os.open(os.devnull, os.O_RDWR)
                for number in range(3):
                    os.dup2(null, number)
                status = call() or 0
            finally:
                os._exit(status)
        children.append(child)
    return [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]


# --- files: as they were, or whole new -------------------------------------------------------------------


def laid_out(folder):
    """A folder with files of an earlier run, another's, and a link; what a run writes there and elsewhere."""
    out = folder / "job"
    (out / "sub").mkdir(parents=True)
    for name in ("a", "sub/b", "other's"):
        (out / name).write_text(f"old {name}")
    (folder / "far").write_text("old far")
    (out / "link").symlink_to("../far")
    names = ("job/a", "job/sub/b", "job/new/c", "job/new/d", "job/link", "x.json")
    return {folder / name: f"new {name}" for name in names}


def interrupted():
    signal.raise_signal(signal.SIGINT)


def ended():
    signal.raise_signal(signal.SIGTERM)


@pytest.mark.parametrize("act", [full(), interrupted, ended], ids=["full", "interrupted", "ended"])
def test_a_fault_at_any_call_leaves_all_as_it_was_or_whole_new(act, tmp_path):
    heard = [signal.signal(one, signal.default_int_handler) for one in (signal.SIGINT, signal.SIGTERM)]
    try:
        new = laid_out(tmp_path / "0")
        with fault(tmp_path / "0", 0, act) as calls:
            write_files(new)
        assert {"open", "os.mkdir", "os.link", "os.rename", "os.remove", "os.rmdir"} <= {*calls}  # met below
        seen = set()
        for at in range(1, len(calls) + 1):
            folder = tmp_path / str(at)
            new = laid_out(folder)
            before, error = tree(folder), None
            with fault(folder, at, act, again=callable(act)):
                try:
                    write_files(new)
                except (OutputError, KeyboardInterrupt) as caught:
                    error = caught
            after = tree(folder)
            if after == before:
                assert error is not None, at
                if isinstance(error, OutputError):
                    assert str(error).endswith("No space left on device; nothing was written")
            else:
                assert all(path.read_text() == text for path, text in new.items()), at
                assert not callable(act) or "the files were written" in error.__notes__[0]
                assert not [name for name in after if ".junction" in name], at
                assert after["job/other's"] == "old other's" and after["job/link"] == "-> ../far"
            seen.add(after == before)
        assert seen == {True, False}
    finally:
        signal.signal(signal.SIGINT, heard[0])
        signal.signal(signal.SIGTERM, heard[1])


def test_a_run_that_is_killed_at_any_call_is_cleared_away_or_finished_by_the_next(tmp_path):
    first = tmp_path / "0"
    new = laid_out(first)
    with fault(first, 0, full()) as calls:
        write_files(new)
    ends = []
    for at in range(1, len(calls) + 1):
        folder = tmp_path / str(at)
        new = laid_out(folder)
        before = tree(folder)

        def killed(folder=folder, at=at, new=new):
            with fault(folder, at, lambda: os.kill(os.getpid(), signal.SIGKILL)):
                write_files(new)

        assert forked(killed) == [-signal.SIGKILL]
        write_files({folder / "job" / "next": "n", folder / "y.json": "n"})  # the next run
        after = tree(folder)
        assert (after.pop("job/next"), after.pop("y.json")) == ("n", "n")
        whole = all(path.exists() and path.read_text() == text for path, text in new.items())
        assert after == before or whole, at
        assert not [name for name in after if ".junction" in name], at
        ends.append(whole)
    assert ends == sorted(ends) and {*ends} == {False, True}


def test_a_new_folder_appears_at_once_and_an_old_one_stays_the_same_folder(tmp_path, monkeypatch):
    moved = []
    real = os.replace
    monkeypatch.setattr(files.os, "replace", lambda a, b: (moved.append(Path(b).name), real(a, b)))
    write_files({tmp_path / "a" / "b" / name: name for name in "xyz"})
    assert moved == ["a"] and tree(tmp_path) == {"a/b/x": "x", "a/b/y": "y", "a/b/z": "z"}
    monkeypatch.chdir(tmp_path / "a")  # a shell that stands in it
    write_files({Path("b/x"): "2", Path("w"): "2"})
    assert tree(Path.cwd()) == tree(tmp_path / "a") == {"b/x": "2", "b/y": "y", "b/z": "z", "w": "2"}


def test_where_files_cannot_be_linked_copies_come_back(tmp_path, monkeypatch):
    new, before = laid_out(tmp_path), tree(tmp_path)

    def none(*_):
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(files.os, "link", none)
    (tmp_path / "x.json").mkdir()  # cannot be replaced
    with pytest.raises(OutputError, match="x.json: cannot write: Is a directory; nothing was written"):
        write_files(new)
    (tmp_path / "x.json").rmdir()
    assert tree(tmp_path) == before
    real, moved = os.replace, []

    def fails_at_last(source, target):
        moved.append(target)
        return none() if target == tmp_path / "x.json" and "new" in str(source) else real(source, target)

    monkeypatch.setattr(files.os, "replace", fails_at_last)
    with pytest.raises(OutputError, match="Operation not permitted"):
        write_files(new)
    assert tree(tmp_path) == before and tmp_path / "job" / "a" in moved
    monkeypatch.setattr(files.os, "replace", real)
    write_files(new)
    assert all(path.read_text() == text for path, text in new.items())


def test_links_stay_links_and_where_they_lead_is_written_or_it_is_said(tmp_path, capsys):
    (tmp_path / "real").mkdir()
    for name, leads in (("folder", "real"), ("soon", "later"), ("gone", "no/such"), ("loop", "loop")):
        (tmp_path / name).symlink_to(leads)
    for name in ("folder", "soon"):
        assert main(["check", *GOOD, "-o", str(tmp_path / name)]) == 0
    assert (tmp_path / "folder").is_symlink() and (tmp_path / "real" / "check.html").is_file()
    assert (tmp_path / "soon").is_symlink() and (tmp_path / "later" / "check.html").is_file()
    (tmp_path / "real" / "check.csv").symlink_to("../kept.csv")
    before = tree(tmp_path)
    for name, says in (("gone", "which is not there"), ("loop", "circle"), ("n" * 300, "name too long")):
        for words in (["-o", str(tmp_path / name)], ["--json", str(tmp_path / name)],
                      ["--record", str(tmp_path / name)]):  # fmt: skip
            capsys.readouterr()
            assert main(["check", *GOOD, *words]) == 2
            err = capsys.readouterr().err
            assert err.count("\n") == 1 and says in err.lower() and "unforeseen" not in err, words
    assert tree(tmp_path) == before
    assert main(["check", *GOOD, "--record", str(tmp_path / "real" / "check.csv")]) == 0
    assert (tmp_path / "real" / "check.csv").is_symlink() and "0.61" in (tmp_path / "kept.csv").read_text()


def test_what_is_no_file_is_written_into_and_stays(tmp_path, capsys):
    assert main(["resistor", "15ohm", "--json", "/dev/null"]) == 0
    assert stat.S_ISCHR(os.stat("/dev/null").st_mode)
    assert main(["resistor", "15ohm", "--json", "/dev/full", "-o", str(tmp_path / "job")]) == 2
    assert "/dev/full: cannot write: No space left on device; nothing was written" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_file_that_may_not_be_written_stays(tmp_path, monkeypatch, capsys):
    (tmp_path / "bag.csv").write_text("part,B-E\nQ1,0.6\n")
    real = os.access  # a superuser may write everything
    monkeypatch.setattr(files.os, "access", lambda p, how: Path(p).name != "bag.csv" and real(p, how))
    assert main(["check", *GOOD, "--record", str(tmp_path / "bag.csv")]) == 2
    assert "bag.csv: cannot write: it is read-only; nothing was written" in capsys.readouterr().err
    assert tree(tmp_path) == {"bag.csv": "part,B-E\nQ1,0.6\n"}


def test_a_quota_and_a_folder_that_vanishes(tmp_path, capsys):
    def small():
        resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
        return main(["check", *GOOD, "-o", str(tmp_path / "job")])

    assert forked(small) == [2] and list(tmp_path.iterdir()) == []
    out, ends = tmp_path / "out", set()
    for at in range(1, 31):
        out.mkdir()
        with fault(out, at, lambda: shutil.rmtree(out)):
            status = main(["check", *GOOD, "-o", str(out)])
        err, left = capsys.readouterr().err, [*tree(tmp_path)]
        ends.add(status)
        if status:
            assert status == 2 and err.count("\n") == 1 and ": cannot write" in err, (at, err)
            assert left in ([], ["out"]), at
        else:
            assert not err and {"out/check.html", "out/index.html", "out/job.json"} < {*left}, at
        shutil.rmtree(out, ignore_errors=True)
    assert ends == {0, 2}


# --- one at a time ---------------------------------------------------------------------------------------


def test_runs_into_one_folder_at_the_same_moment_are_all_in_its_record(tmp_path):
    out = tmp_path / "job"
    main(["check", *GOOD])  # once here, so that the others have it ready
    calls = [["check", *GOOD, "--part", tag] for tag in ("Q1", "Q2", "Q3")] + [["resistor", "15ohm"]]
    assert forked(*[lambda call=call: main([*call, "-o", str(out)]) for call in calls]) == [0] * 4
    entries = JobFolder.read(out).entries
    assert sorted((e["command"], e["about"]) for e in entries if e["command"] == "check") == [
        ("check", "Q1"), ("check", "Q2"), ("check", "Q3")]  # fmt: skip
    assert len(entries) == 4
    page = (out / "index.html").read_text()
    assert all(tag in page for tag in ("Q1", "Q2", "Q3", "15 Ω"))
    assert not [name for name in tree(tmp_path) if ".junction" in name]


def test_eight_records_at_once_keep_all_readings(tmp_path):
    file = tmp_path / "bag.csv"
    values = [0.601 + k / 1000 for k in range(8)]
    main(["check", *GOOD])
    runs = [lambda v=v: main(["check", f"B-E={v:.3f}", "--record", str(file)]) for v in values]
    assert forked(*runs) == [0] * 8
    rows = file.read_text().splitlines()[1:]
    assert sorted(float(row.split(",")[3].removesuffix(" V")) for row in rows) == pytest.approx(values)
    assert len({row.split(",")[0] for row in rows}) == 8  # a tag each
    assert [path.name for path in tmp_path.iterdir()] == ["bag.csv"]


@pytest.mark.parametrize("words", ["-o job", "--record bag.csv", "--json x.json"])
def test_a_folder_that_another_holds_for_long_is_said(words, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(files, "PATIENCE_S", 0.1)
    (tmp_path / "job").mkdir()
    holds = [os.open(tmp_path / name, os.O_RDONLY) for name in (".", "job")]
    for one in holds:
        fcntl.flock(one, fcntl.LOCK_EX)
    try:
        assert main(["check", *GOOD, *words.split()]) == 2
    finally:
        for one in holds:
            os.close(one)
    assert "another program is writing there; try again" in capsys.readouterr().err
    assert tree(tmp_path) == {"job": "an empty folder"}


def test_no_file_stays_open(tmp_path, capsys):
    def opened():
        return sorted(os.readlink(f"/proc/self/fd/{fd}") for fd in os.listdir("/proc/self/fd")
                      if os.path.exists(f"/proc/self/fd/{fd}"))  # fmt: skip

    main(["check", *GOOD, "-o", str(tmp_path / "first")])  # fonts and the like are there once
    before = opened()
    for part in ("Q1", "Q2"):
        assert main(["check", *GOOD, "--part", part, "-o", str(tmp_path / "job")]) == 0
        assert main(["check", *GOOD, "--part", part, "--record", str(tmp_path / "bag.csv")]) == 0
    assert opened() == before


def test_a_reading_typed_is_on_the_disk_before_the_next_prompt(tmp_path, monkeypatch, capsys):
    file, synced = tmp_path / "bag.csv", []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda number: (synced.append(os.readlink(f"/proc/self/fd/{number}")),
                                                     real(number)))  # fmt: skip
    lines = iter(["D1", "", "ak", "0.553", "OL", "", "D2", "-", "0.571", "done", "done"])
    typed = []

    class Keys(io.StringIO):
        def readline(self):
            kept = file.read_text() if file.exists() else ""
            for value in typed:
                assert value in kept, f"{value} was typed and is not in the file"
            if typed:  # file and folder, since the last reading
                assert any("bag.csv" in name for name in synced) and str(tmp_path) in synced
            line = next(lines)
            if line.startswith("0."):
                typed.append(f"{line} V")
                synced.clear()
            return f"{line}\n"

    monkeypatch.setattr(sys, "stdin", Keys())
    assert main(["check", "--bag", str(file)]) == 0
    assert typed == ["0.553 V", "0.571 V"]


# --- streams ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    """A folder with a file for each command that reads one."""
    from tests.cli.match_bag import spot_csv

    folder = tmp_path_factory.mktemp("desk")
    (folder / "a.csv").write_text(BAG)
    (folder / "s.csv").write_text(spot_csv())
    law = [f"D1,AK,{v / 100},{1e-12 * 2.718281828 ** (v / 100 / 0.0257):.4g}" for v in range(40, 70)]
    (folder / "v.csv").write_text("part,junction,v_V,i_A\n" + "\n".join(law) + "\n")
    return folder


class Failing(io.StringIO):
    """A stream that takes nothing: at once, or when it is emptied."""

    def __init__(self, error, late):
        super().__init__()
        self.error, self.late = error, late

    def write(self, text):
        if not self.late:
            raise self.error
        return super().write(text)

    def flush(self):
        if self.late and self.getvalue():
            raise self.error


@pytest.mark.parametrize("command", [*CALLS, "--help", "--version", "", "sort --help", "sort --json - a.csv"],
                         ids=str.split)
def test_an_answer_that_cannot_be_printed_is_status_2_and_one_line(command, desk, monkeypatch, capsys):
    monkeypatch.chdir(desk)
    words = [*command.split(), *CALLS.get(command, [])]
    monkeypatch.setattr(sys, "stdout", Failing(full(), late=len(words) % 2 == 0))
    try:
        status = main(words)
    except SystemExit as end:
        status = end.code
    monkeypatch.undo()
    err = capsys.readouterr().err.splitlines()
    told = [line for line in err if "standard output: No space left on device" in line]
    assert status == 2 and len(told) == 1 and told[0] == err[-1] and "Traceback" not in "".join(err)


def test_files_that_were_written_before_the_printing_failed_are_said(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdout", Failing(full(), True))
    assert main(["check", *GOOD, "-o", str(tmp_path / "job")]) == 2
    assert "the files were written" in capsys.readouterr().err
    assert len(JobFolder.read(tmp_path / "job").entries) == 1
    assert main(["check", *GOOD, "--record", str(tmp_path / "bag.csv")]) == 2
    assert "the files were written" in capsys.readouterr().err
    assert main(["check", *GOOD]) == 2
    assert "written" not in capsys.readouterr().err


def test_where_standard_error_takes_nothing_the_answer_stands_and_a_line_goes_out(desk, monkeypatch, capsys):
    monkeypatch.setattr(sys, "stderr", Failing(full(), False))
    assert main(["sort", str(desk / "a.csv")]) == 1
    out = capsys.readouterr().out
    assert "Q01  shorted" in out
    assert out.endswith("could not be listed (standard error: No space left on device)\n")
    assert main(["sort", str(desk / "a.csv"), "--json", "-"]) == 1
    assert json.loads(capsys.readouterr().out)["command"] == "sort"
    assert main(["sort", "none.csv"]) == 2
    assert capsys.readouterr().out == "junction sort: none.csv: no such file or folder\n"
    with pytest.raises(SystemExit) as end:
        main(["srt"])
    assert end.value.code == 2 and "did you mean sort?" in capsys.readouterr().out


@pytest.fixture(scope="module")
def shell(desk):
    """Calls of the program as a shell makes them, all at once: status, output, errors by the call."""
    calls = [
        "junction sort a.csv > /dev/full", "junction sort a.csv >&-", "junction resistor 15ohm 2>&-",
        "junction resistor none >&- 2>&-", "junction resistor 15ohm > /dev/full 2> /dev/full",
        "junction sort - <&-", "junction --help | (exec <&-; sleep 0.1)",
        "junction resistor none 2>/dev/full",
    ]  # fmt: skip
    program = f"junction() {{ {sys.executable} -m junction \"$@\"; }}; set -o pipefail; "
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": ""}
    how = {"env": env, "text": True, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    children = [subprocess.Popen(["bash", "-c", program + call], cwd=desk, **how) for call in calls]
    told = [child.communicate(timeout=120) for child in children]
    return {call: (child.returncode, *said)
            for call, child, said in zip(calls, children, told, strict=True)}  # fmt: skip


def test_streams_as_a_shell_closes_and_fills_them(shell):
    """Nothing is left for the interpreter to stumble over when it ends."""
    def lines(call):
        return [len(text.splitlines()) for text in shell[call][1:]]

    whole = "junction resistor 15ohm 2>&-"
    assert shell[whole][0] == 0 and "15 Ω is a stock value" in shell[whole][1]
    for call, (status, out, err) in shell.items():
        assert "Traceback" not in out + err and "Exception ignored" not in out + err, call
        assert call == whole or status == 2, call
    assert lines("junction sort a.csv > /dev/full") == lines("junction sort a.csv >&-") == [0, 1]
    assert lines("junction resistor none >&- 2>&-") == [0, 0]
    assert lines("junction resistor 15ohm > /dev/full 2> /dev/full") == [0, 0]
    assert lines("junction sort - <&-") == [0, 1]
    assert lines("junction resistor none 2>/dev/full") == [1, 0]


# --- the handler at the top ------------------------------------------------------------------------------


ERRORS = [ZeroDivisionError("by\nnothing"), RecursionError("too deep"), MemoryError(), ImportError("gone"),
          OSError(5, "Input/output error", "x"), UnicodeDecodeError("utf-8", b"\xff", 0, 1, "bad"),
          AssertionError()]  # fmt: skip


@every_row(("place", "error"), [(p, e) for p in ("_run", "build_parser", "collector_off") for e in ERRORS])
def test_an_unforeseen_error_is_one_line_with_its_place_and_details_on_demand(place, error, capsys):
    def broken(*_):
        raise error

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(commands, place, broken)
        assert main(["resistor", "15ohm"]) == 2
        out, err = capsys.readouterr()
        assert out == "" and err.count("\n") == 1 and err.startswith("junction resistor: ")
        assert type(error).__name__ in err and "cli/commands.py line " in err and "JUNCTION_TRACE=1" in err
        patch.setenv("JUNCTION_TRACE", "1")
        assert main(["resistor", "15ohm"]) == 2
    err = capsys.readouterr().err
    assert "Traceback" in err and type(error).__name__ in err.splitlines()[-1]


def test_a_command_that_does_not_import_is_one_line(monkeypatch, capsys):
    monkeypatch.setitem(commands.COMMANDS, "resistor", ("junction.jobs.none_such", "x"))
    assert main(["resistor", "15ohm"]) == 2
    assert "ModuleNotFoundError: No module named 'junction.jobs.none_such'" in capsys.readouterr().err


# --- signals ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("number", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_a_signal_at_any_call_ends_in_one_line_and_whole_files(number, tmp_path, capsys):
    number, ends = getattr(signal, number), set()
    heard = signal.signal(number, signal.default_int_handler)
    try:
        main(["check", *GOOD, "-o", str(tmp_path / "first")])  # what is imported late is there
        shutil.rmtree(tmp_path / "first")
        with fault(tmp_path, 0, full()) as calls:
            assert main(["check", *GOOD, "-o", str(tmp_path / "0")]) == 0
        capsys.readouterr()
        whole_run = sorted(tree(tmp_path / "0"))
        for at in range(1, len(calls) + 1, 5):
            out = tmp_path / str(at)
            with fault(tmp_path, at, lambda: signal.raise_signal(number), again=True):
                status = main(["check", *GOOD, "-o", str(out)])
            err = capsys.readouterr().err
            assert (status, err.count("\n")) == (2, 1) and err.startswith("junction check: stopped")
            names = [path.name for path in tmp_path.iterdir() if path.name not in ("0", str(at))]
            if whole := out.exists():
                assert len(JobFolder.read(out).entries) == 1 and "the files were written" in err
                assert sorted(tree(out)) == whole_run
            ends.add(whole)
            for path in [out] if whole else []:
                path.rename(tmp_path / "0" / str(at))
            assert names == [], at
        assert ends == {False, True}
    finally:
        signal.signal(number, heard)


def test_a_key_hit_again_while_the_line_is_said_does_not_break_it(monkeypatch):
    class Hit(io.StringIO):
        def write(self, text):
            signal.raise_signal(signal.SIGINT)
            return super().write(text)

    monkeypatch.setattr(commands, "_run", lambda _: signal.raise_signal(signal.SIGINT))
    monkeypatch.setattr(sys, "stderr", seen := Hit())
    assert main(["resistor", "15ohm"]) == 2
    assert seen.getvalue() == "junction resistor: stopped\n"


#: The program, with a signal that comes when it imports a module; or in a callback, which cannot raise.
AT_IMPORT = """
import os, signal, sys, weakref
signal.signal(signal.SIGINT, signal.default_int_handler)
signal.signal(signal.SIGHUP, signal.SIG_DFL)  # nohup ignores it
_, wanted, how, *words = sys.argv
class Finder:
    def find_spec(self, name, path=None, target=None):
        if name == wanted and how != "callback":
            os.kill(os.getpid(), getattr(signal, how))
        elif name == wanted:
            held = Finder()
            gone = weakref.ref(held, lambda _: os.kill(os.getpid(), signal.SIGINT))
            del held
sys.meta_path.insert(0, Finder())
sys.argv = ["junction", *words]
from junction.cli.main import main
sys.exit(main())
"""


@pytest.fixture(scope="module")
def imported():
    calls = [("argparse", "SIGINT"), ("junction.shelf.tables", "SIGTERM"), ("numpy", "SIGINT"),
             ("junction.jobs.resistor", "SIGHUP"), ("junction.show.blocks", "callback")]  # fmt: skip
    env = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUNBUFFERED": ""}
    how = {"env": env, "text": True, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    words = [sys.executable, "-c", AT_IMPORT]
    children = [subprocess.Popen([*words, *call, "resistor", "15ohm"], **how) for call in calls]
    return {call: (*child.communicate(timeout=120), child.returncode)
            for call, child in zip(calls, children, strict=True)}  # fmt: skip


def test_a_signal_while_modules_are_imported_ends_in_one_line(imported):
    for call, said in imported.items():
        assert said == ("", "junction resistor: stopped\n", 2), call


def test_a_signal_that_is_ignored_stays_ignored(tmp_path, capsys):
    heard = signal.signal(signal.SIGHUP, signal.SIG_IGN)  # as nohup does
    try:
        with fault(tmp_path, 10, lambda: signal.raise_signal(signal.SIGHUP)):
            assert main(["check", *GOOD, "-o", str(tmp_path / "job")]) == 0
    finally:
        signal.signal(signal.SIGHUP, heard)


# ------------------------------------------------------------------- what a run reads is never written over


def told(capsys, *words):
    """Status, and the last line of standard error."""
    try:
        status = main([*words])
    except SystemExit as end:  # said by the parser
        status = end.code
    return status, capsys.readouterr().err.strip().split("\n")[-1]


def test_no_result_takes_the_place_of_a_file_that_is_read_or_added_to(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    one = ["check", "B-E=0.65", "E-B=OL"]
    main([*one, "--part", "A", "--record", "bag.csv"])
    kept = Path("bag.csv").read_text()
    Path("mine.csv").write_text(types := (ROOT / "reference" / "types_bjt.csv").read_text())
    for words in ([*one, "--record", "bag.csv"], [*one, "--types", "mine.csv", "--type", "BC547B"],
                  ["sort", "bag.csv"]):  # fmt: skip
        place = next(word for word in words if word.endswith(".csv"))
        status, line = told(capsys, *words, "--json", place)
        assert (status, line.endswith("choose another place for the results")) == (2, True), line
    assert Path("bag.csv").read_text() == kept and Path("mine.csv").read_text() == types
    # the record that would be the run's own file is named before it is made
    status, line = told(capsys, *one, "--record", "job/check.json", "-o", "job")
    assert status == 2 and "job/check.json" in line and Path("job/check.json").read_text().startswith("part,")


def test_a_name_that_was_left_out_is_asked_for(capsys):
    for option in ("-o", "--json"):
        assert told(capsys, "resistor", "10ohm", option, "")[0] == 2
    assert told(capsys, "check", "B-E=0.65", "--part", "\udce9") == (
        2, "junction check: --part \\udce9: a byte in it is no character. Type it again.")  # fmt: skip
    status, line = told(capsys, "check", "B-E=0.65", "--in-circuit", "--lifted", "Z9")
    assert status == 2 and "'Z9' is no name of a lead" in line


def test_a_marking_of_any_length_is_answered_at_once(capsys):
    """What brackets may hide takes the square of their number: 16,000 of them took 27 s."""
    start = process_time()
    assert main(["check", "B-E=0.65", "E-B=OL", "--type", "(" * 16000]) == 0
    assert process_time() - start < 3  # a check takes a tenth of a second
    status, line = told(capsys, "stage", "--types", "(" * 300)
    assert status == 2 and "unforeseen" not in line


def test_python_gets_an_error_of_ours_for_what_is_nothing(tmp_path):
    result = junction.check(["B-E=0.65"])
    for wrong in (
        lambda: junction.check(None), lambda: junction.sort(5), lambda: junction.substitute(None),
        lambda: junction.resistor(None), lambda: junction.check([1, 2]), lambda: result.save(None),
        lambda: result.save("a\0b"), lambda: junction.check(["B-E=0.65"], in_circuit="no"),
        lambda: junction.check(["B-E=0.65"], type=["BD139"]), lambda: junction.check(["B-E=0.65"], hfe=True),
    ):  # fmt: skip
        with pytest.raises(UsageError):
            wrong()


def test_a_word_without_end_is_not_shown_whole(capsys):
    word = "(" * 100_000
    for call in (["sort", word], ["sort", "a.csv", "--types", word], ["substitute", "--needs", word],
                 ["check", word], ["check", *GOOD, "-o", word], ["check", "--meter", word]):  # fmt: skip
        assert main(call) == 2
        assert len(capsys.readouterr().err) < 1000, call[0][:20]
    path = "/" + "/".join(["folder" * 10] * 8) + "/bag.csv"
    assert main(["sort", path]) == 2 and path in capsys.readouterr().err
