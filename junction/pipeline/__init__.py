"""Wiring: records in, one report record out.  One module a job; none opens a file or prints."""
