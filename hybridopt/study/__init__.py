"""Studies: many variants of driveline and settings over cycles, on one machine or a cluster."""
