"""The optimiser: dynamic programming over state of charge, engine state and gear."""
