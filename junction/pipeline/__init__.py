"""Pure wiring from records to reports; opens no file, prints nothing."""
