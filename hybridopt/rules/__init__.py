"""Rule tables: distilled from optima, verified on unseen drives, handed over as files and code."""
