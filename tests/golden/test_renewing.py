"""What is kept is never made by the machine that checks, nor by a test."""

import runpy
from pathlib import Path

import pytest

from tests.golden import reports
from tests.golden.frozen_answers import FILE

TESTS = Path(__file__).resolve().parents[1]
RENEWALS = ("tests.golden.reports", "tests.golden.renew_frozen", "tests.intake.test_golden_rejects",
            "tests.test_readme_examples", "tests.test_notebooks", "tests.renew_pictures")  # fmt: skip


def kept():
    places = (*reports.FOLDER.iterdir(), FILE, *(TESTS / "golden/intake").iterdir())
    return {path: path.stat().st_mtime_ns for path in places}


@pytest.mark.parametrize("module", RENEWALS)
def test_nothing_is_renewed_where_ci_is_set(module, monkeypatch, capsys):
    monkeypatch.setenv("CI", "true")
    monkeypatch.setattr("sys.argv", [module, "--write"])
    before = kept()
    with pytest.raises(SystemExit) as end:
        runpy.run_path(str(TESTS.parent / (module.replace(".", "/") + ".py")), run_name="__main__")
    assert end.value.code == 2 and "CI is set" in capsys.readouterr().err and kept() == before


def test_a_report_that_is_not_kept_is_an_error(monkeypatch, tmp_path):
    monkeypatch.setattr(reports, "FOLDER", tmp_path)
    with pytest.raises(FileNotFoundError):
        reports.kept("check good")
    assert not [*tmp_path.iterdir()]
