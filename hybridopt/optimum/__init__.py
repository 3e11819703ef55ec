"""The optimum of a drive: solved, replayed, within thermal limits, and its result."""
