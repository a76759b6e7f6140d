"""Reference tables as a resource package, so that the wheel carries them."""
