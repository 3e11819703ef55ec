"""Controllers: causal rules that drive a cycle, built in or the user's own."""
