"""Matched sets for one stage."""
