"""Lead finding: meter readings weighed against what a part may be."""
