"""Invented, simulated bags, clearly labelled so."""
