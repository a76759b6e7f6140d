"""junction: semiconductor junction test analyser for the repair bench."""

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
