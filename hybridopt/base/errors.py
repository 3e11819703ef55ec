"""The exceptions of the package; each carries the exit code the command line uses."""


class HybridoptError(Exception):
    """Base of all errors raised on purpose; the message is one clear sentence."""

    exit_code = 1


class InputError(HybridoptError):
    """A file, field or setting is wrong: the message names it and says how to mend it.

    Where several are, each is a sentence of its own in `sentences`, and the message is the first.
    """

    exit_code = 2

    @property
    def sentences(self) -> tuple[str, ...]:
        """All that is wrong, each in one sentence."""
        return tuple(map(str, self.args))

    def __str__(self) -> str:
        """Return the first sentence, and how many more there are."""
        first, *more = self.sentences or ("",)
        if not more:
            return first
        faults = "1 more fault" if len(more) == 1 else f"{len(more)} more faults"
        return f"{first} ({faults})"


class InfeasibleError(InputError):
    """The stated problem has no solution: a step nothing can drive, or a target out of reach."""


class FailedError(HybridoptError):
    """The work could not be finished although the input was right (disk full, and the like)."""
