"""What a job starts from: the driveline, its maps, and the cycle to drive."""
