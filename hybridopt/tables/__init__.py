"""Rule tables: what they hold, how they are named, and their files."""
