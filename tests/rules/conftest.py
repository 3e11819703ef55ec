"""Rule tables for the tests of this folder."""

import pytest
from rule_tables import hand_made


@pytest.fixture
def rule_set():
    return hand_made()
