"""junction: semiconductor junction test analyser for the repair bench."""

import sys
from types import ModuleType

__version__ = "0.1.0"

#: public function -> the module it lives in; each is imported when it is first asked for.
_JOBS = {
    "read": "job", "sort": "sort", "fit": "fit", "check": "check", "match": "match", "stage": "stage",
    "substitute": "substitute", "resistor": "resistor",
}  # fmt: skip

__all__ = ["__version__", *_JOBS]


def __getattr__(name: str):
    if name not in _JOBS:
        raise AttributeError(f"module 'junction' has no attribute {name!r}")
    from importlib import import_module

    found = getattr(import_module(f"junction.jobs.{_JOBS[name]}"), name)
    globals()[name] = found
    return found


def __dir__():
    return sorted({*globals(), *_JOBS})


class _Front(ModuleType):
    """The package, whose functions `fit` and `stage` are not hidden by the rooms of the same names.

    Importing a room binds it to its name here; ``from junction.stage.results import Stage`` does without.
    """

    def __setattr__(self, name: str, value) -> None:
        if name not in _JOBS or not isinstance(value, ModuleType):
            super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Front
