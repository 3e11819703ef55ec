"""Recorded drives and test-bench points: log to cycle and channels, points to maps."""
