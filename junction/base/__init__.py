"""What every layer stands on: errors, units, symbols, records, safe numerics."""
