"""What every layer stands on: errors, units and constants, numbers, records."""
