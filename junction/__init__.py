"""junction: semiconductor junction test analyser for the repair bench."""

__version__ = "0.1.0"
