"""What remembering more is worth, on a small model."""

import numpy as np
import pytest
from causal import as_known, worth_of_memory

from hybridopt import Settings, read_cycle, read_driveline
from hybridopt.foresight.model import drive_model


@pytest.mark.long
def test_who_knows_more_loses_no_more():
    driveline = read_driveline("full")
    settings, training = Settings(splits=9).resolved(driveline), [read_cycle("ece15")]
    plain, richer = (
        drive_model(training, driveline, settings, memory, 6.2e-5).optimum
        for memory in ("none", "jerk")
    )
    known = as_known(plain.ahead, plain, richer)
    assert known.shape == richer.ahead.shape
    here = richer.chain.rest
    np.testing.assert_array_equal(known[here], plain.ahead[plain.chain.rest])
    loss, more = worth_of_memory(plain, richer, 20, 60, 1)
    assert loss.percent > 0.0 and more.percent > -more.error
