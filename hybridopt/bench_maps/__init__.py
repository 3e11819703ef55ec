"""Full-grid maps from scattered test-bench points, with a report of how good they are."""
