"""Writes logs for the tests of this folder."""

import pytest

from hybridopt.measurements.drive import import_drive


@pytest.fixture
def write(tmp_path):
    """Return a function that writes a log and returns its path."""

    def write(content, name="log.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write


@pytest.fixture
def imported(write):
    """Return a function that writes a log and imports it."""

    def imported(content, channels=None, cleaning=None, **extra):
        given = {signal: (channel, "option") for signal, channel in (channels or {}).items()}
        return import_drive(write(content, **extra), given, cleaning)

    return imported
