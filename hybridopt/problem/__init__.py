"""The problem that is solved: settings, choices of every step, states and moves, event costs."""
