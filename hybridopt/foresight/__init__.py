"""What is to be expected: stage costs at a held price, expected cost-to-go, maps of preview."""
