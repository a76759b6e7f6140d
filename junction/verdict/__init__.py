"""The verdict of a part: sweeps against limits, everything joined."""
