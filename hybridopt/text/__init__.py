"""Results as plain text and table files."""
