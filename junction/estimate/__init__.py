"""Batched least squares, model choice and uncertainty."""
