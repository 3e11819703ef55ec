"""Messages do not show what stands in files that are no tables and no settings of ours."""

import os

import pytest

from hybridopt.base.errors import InputError
from hybridopt.files.csv_table import read_columns, read_toml
from hybridopt.inputs.cycle import read_cycle_csv
from hybridopt.inputs.maps import read_fuel_map, read_loss_map
from hybridopt.study.study_file import read_study

SECRET = "secret-token-123"
TEXTS = (f'KEY="{SECRET}"\n', f"{SECRET},more\n1,2\n", f"{SECRET} line\n", f"[{SECRET}]\na = 1\n")
READERS = {
    "columns": lambda path: read_columns(path, ["time_s"]),
    "toml": read_toml,
    "study": read_study,
    "cycle": read_cycle_csv,
    "fuel map": lambda path: read_fuel_map(path, 42_900.0),
    "loss map": read_loss_map,
}


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("text", TEXTS)
@pytest.mark.parametrize("linked", [False, True])
def test_content_of_other_files_is_not_shown(tmp_path, reader, text, linked):
    path = tmp_path / ".env"
    path.write_text(text)
    if linked:  # as a folder from a stranger may hold it
        os.symlink(path, tmp_path / "mine.csv")
        path = tmp_path / "mine.csv"
    with pytest.raises(InputError) as raised:
        READERS[reader](path)
    assert SECRET not in str(raised.value) and "KEY" not in str(raised.value)


def test_names_in_a_table_are_shown(tmp_path):
    path = tmp_path / "cycle.csv"
    path.write_text("t,v\n1,2\n")
    with pytest.raises(InputError, match="found: t, v"):
        read_columns(path, ["time_s"])
