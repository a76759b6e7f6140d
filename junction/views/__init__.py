"""One view a job: what its report says on the terminal, on a page, as CSV and as JSON."""
