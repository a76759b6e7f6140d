"""What holds for every test: programs that may be missing, and the schema that every JSON keeps.

Tests that need the circuit simulator or a browser are skipped, with a note, where it is not installed.  In CI
a skipped test is a failure (``.ci/run``); on a bench machine without them the rest must still pass.
"""

import pytest

import junction.show.write
from tests import documents

documents.watch(junction.show.write)  # before anything else imports the writer


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
    """Tests that run one themselves; those marked ``front_door`` must have gone through it."""
    try:
        done = yield
    except FileNotFoundError as error:
        _skip_without_program(error)
        raise
    door = item.funcargs.get("door")
    if missed := {mark.args[0] for mark in item.iter_markers("front_door")} - (door.used if door else set()):
        pytest.fail(f"marked front_door and never went through {', '.join(sorted(missed))}", pytrace=False)
    return done


@pytest.fixture
def door():
    """The front door of junction (`tests.outside.Door`), for the tests that are marked ``front_door``."""
    from tests.outside import Door

    return Door()


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items):
    """A check through the front door is one against a truth from outside."""
    for item in items:
        if item.get_closest_marker("front_door"):
            item.add_marker("external")


@pytest.fixture(autouse=True)
def _documents_keep_the_schema():
    """What stands in every JSON that the test and its fixtures wrote."""
    yield
    wrong = [*documents.found]
    documents.found.clear()
    assert not wrong, "\n".join(wrong[:20])
