import pytest


@pytest.fixture(autouse=True)
def no_user_tables(monkeypatch, tmp_path):
    """A developer's own tables must not change what the tests see."""
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))
    return tmp_path / "data" / "junction" / "types"
