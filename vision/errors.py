"""The one error tree. An exception means misuse; "not found" is a value (see `vision.rods`)."""


class TeesquareError(Exception):
    """Base of every error that this project raises. The message holds numbers and the remedy."""


class FrameError(TeesquareError):
    """A picture that cannot be analysed: wrong shape, type or size."""


class SetupError(TeesquareError):
    """A setup that contradicts itself or lies outside what is physically possible."""
