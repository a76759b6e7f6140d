"""The stage, current sharing, best disjoint sets and their grade."""
