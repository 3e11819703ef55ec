"""The warning for input that can be used but looks wrong."""


class InputWarning(UserWarning):
    """Input is readable but suspicious; the message names it and says how to mend it."""
