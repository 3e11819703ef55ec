"""Recorded drives: log, channels, cleaning, resampling, grade, trips, and who can follow them."""
