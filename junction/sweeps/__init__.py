"""Sweeps of junctions to parameters."""
