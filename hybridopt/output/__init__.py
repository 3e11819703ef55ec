"""What goes out: files, tables and pictures."""
