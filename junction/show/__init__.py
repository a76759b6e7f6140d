"""Numbers, tables, plots, page, labels and JSON."""
