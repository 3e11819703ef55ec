"""All checks of a recording's channels, each alone and against each other."""

import numpy as np

from .agreement import check_agreement
from .channel_checks import check_channels
from .delays import check_delays
from .recording import Finding, Recording

LEAST_SAMPLES = 20


def check_recording(recording: Recording) -> tuple[Finding, ...]:
    """Return what channels do not agree on, or what looks wrong; nothing is mended.

    Parameters
    ----------
    recording
        Its own findings are not looked at again.

    Returns
    -------
    tuple of Finding
        Of single channels, then of several against each other, then delays.
    """
    if recording.time.size < LEAST_SAMPLES:
        return ()
    with np.errstate(all="ignore"):
        checks = (check_channels, check_agreement, check_delays)
        return tuple(finding for check in checks for finding in check(recording))
