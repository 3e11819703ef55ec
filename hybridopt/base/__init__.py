"""What every room uses: units, errors, names of variables, progress, threads, compiled kernels."""
