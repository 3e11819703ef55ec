"""Rule tables handed on: C code, co-simulation unit, data files."""
