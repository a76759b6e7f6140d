"""Curves and spot readings of transistors to parameters."""
