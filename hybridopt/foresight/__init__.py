"""What foresight is worth: a model of driving, and the least cost without knowing what comes."""
