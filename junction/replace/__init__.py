"""Substitutes, resistors, what to order."""
