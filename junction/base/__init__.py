"""What every layer stands on: errors, units, numbers, constants, records."""
