"""The output stage: operating points, sharing, heat, drops after fitting."""
