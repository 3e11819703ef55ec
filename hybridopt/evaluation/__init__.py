"""Controllers measured against optimum and bound: cases, scores, regret, comparison, tuning."""
