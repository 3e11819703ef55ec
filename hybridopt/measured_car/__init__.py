"""The car behind a log: what its channels tell of it, and its own strategy against the bound."""
