"""Typed, validated access to the tables under reference/."""
