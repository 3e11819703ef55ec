"""Random rule sets through every format that is read back: to the bit, CSV to 12 digits."""

import numpy as np
import pytest
from case_counts import cases
from random_rules import random_rules
from rule_tables import arrays

from hybridopt.tables.files import read_tables, write_cdf, write_csv, write_json, write_netcdf

WRITERS = {"a.json": write_json, "a.cdfx": write_cdf, "a.nc": write_netcdf}
DIGITS = 1e-11  # relative, of a file with 12 significant digits


def through(made, folder, name):
    """Write and read; return all arrays as they came back."""
    WRITERS[name](made, folder / name, overwrite=True)
    back = read_tables(folder / name)
    assert back.origin == made.origin, name
    return arrays(back)


def check(seed, folder):
    """Send a rule set through all formats; NetCDF, read in a process of its own, less often."""
    made = random_rules(seed)
    wanted = arrays(made)
    for name in WRITERS if seed % 20 == 0 else ("a.json", "a.cdfx"):
        found = through(made, folder, name)
        assert found.keys() == wanted.keys(), (seed, name)
        for key, values in wanted.items():
            assert found[key].tobytes() == values.tobytes(), (seed, name, key)
    write_csv(made, folder, overwrite=True)
    found = arrays(read_tables(folder))
    for key, values in wanted.items():
        np.testing.assert_allclose(found[key], values, rtol=DIGITS, err_msg=f"{seed} {key}")


@pytest.mark.long
def test_some_come_back(tmp_path):
    for seed in range(20):
        check(seed, tmp_path)


@pytest.mark.long
def test_two_hundred_come_back(tmp_path):
    for seed in range(cases(200)):
        check(seed, tmp_path)
