"""Pure functions on arrays: junction, transistor, temperature, meter, network."""
