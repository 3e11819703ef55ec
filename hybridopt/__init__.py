"""Least-fuel schedules for parallel hybrid drivelines, with proof."""
