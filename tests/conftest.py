"""Tests that need the circuit simulator or a browser are skipped, with a note, where it is not installed.

In CI a skipped test is a failure (``.ci/run``); on a bench machine without them the rest must still pass.
"""

import pytest


def _skip_without_program(error: FileNotFoundError) -> None:
    if error.filename == "ngspice":
        pytest.skip("ngspice is not installed: this outside truth was not checked")
    if error.filename == "chromium":
        pytest.skip("chromium is not installed: pages were not looked at in a browser")


@pytest.hookimpl(wrapper=True)
def pytest_runtest_setup(item):
    """Fixtures that run one."""
    try:
        return (yield)
    except FileNotFoundError as error:
        _skip_without_program(error)
        raise


@pytest.hookimpl(wrapper=True)
def pytest_runtest_call(item):
    """Tests that run one themselves."""
    try:
        return (yield)
    except FileNotFoundError as error:
        _skip_without_program(error)
        raise
