"""Records for JSON: plain objects that any reader of JSON understands."""

import math
from collections.abc import Mapping
from typing import Any


def json_ready(record: Mapping[str, Any]) -> dict[str, Any]:
    """Return a record with None for NaN and infinity, for which JSON has no word."""
    return {
        key: None if isinstance(value, float) and not math.isfinite(value) else value
        for key, value in record.items()
    }
