"""Decisions under uncertainty: verdicts, lead finding, the next test."""
