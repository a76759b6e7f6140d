"""A table of cases as one test: every row is run, and each that fails is named."""

import functools
import inspect


def every_row(names, rows):
    """Run a test for every row of a table (the arguments are those of pytest's own parametrization)."""
    names = [name.strip() for name in names.split(",")] if isinstance(names, str) else list(names)
    rows = [getattr(row, "values", None) if hasattr(row, "marks") else row for row in rows]
    rows = [row if len(names) > 1 or isinstance(row, tuple) and len(row) == 1 else (row,) for row in rows]
    assert rows, "a table without rows checks nothing"

    def decorate(test):
        @functools.wraps(test)
        def run(**others):
            failed = []
            for row in rows:
                try:
                    test(**dict(zip(names, row, strict=True)), **others)
                except Exception as error:
                    error.add_note(f"in the row {row!r}")
                    failed.append(error)
            if len(failed) == 1:
                raise failed[0]
            if failed:
                raise ExceptionGroup(f"{len(failed)} of {len(rows)} rows", failed)

        left = [p for n, p in inspect.signature(test).parameters.items() if n not in names]
        run.__signature__ = inspect.Signature(left)
        return run

    return decorate
