"""The exceptions of the package; each carries the exit code the command line uses."""


class HybridoptError(Exception):
    """Base of all errors raised on purpose; the message is one clear sentence."""

    exit_code = 1


class InputError(HybridoptError):
    """A file, field or setting is wrong: the message names it and says how to mend it."""

    exit_code = 2


class InfeasibleError(InputError):
    """The stated problem has no solution: a step nothing can drive, or a target out of reach."""


class FailedError(HybridoptError):
    """The work could not be finished although the input was right (disk full, and the like)."""
