"""What foresight is worth: costs at a held price, what is to be expected, models of driving."""
