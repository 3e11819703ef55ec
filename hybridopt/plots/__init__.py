"""Plots, each a function on a matplotlib Axes; nothing here touches matplotlib's global state."""
