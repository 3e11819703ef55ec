"""The command line: each command reads its input, calls the library and prints the answer."""
