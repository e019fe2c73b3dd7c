"""Every exception and warning raised on purpose.

    StackerError
      InputError         (also ValueError)       a bad argument or setting
      FrameReadError     (also OSError)          a file that cannot be read
      BracketError       (also ValueError)       frames that do not belong together
      AlignmentError     (also ValueError)       a frame that cannot be registered
      MemoryLimitError   (also MemoryError)      a limit that cannot be kept
      OutputError        (also OSError)          a result that cannot be written
      OutputExistsError  (also FileExistsError)  a result that is already there
    StackerWarning       (UserWarning)

A message says what is wrong, which file or frame, and what to do about it, in one line:
the command line prints it as it is.
"""

from os import PathLike

__all__ = [
    "AlignmentError",
    "BracketError",
    "FrameReadError",
    "InputError",
    "MemoryLimitError",
    "OutputError",
    "OutputExistsError",
    "StackerError",
    "StackerWarning",
]


class StackerError(Exception):
    """Base class: catch it to catch everything this package raises on purpose."""


class InputError(StackerError, ValueError):
    """An argument or a setting has a value that cannot be used."""


class FrameReadError(StackerError, OSError):
    """A frame's file cannot be read.

    Attributes
    ----------
    path : str
        The file, as it was given.
    reason : str
        What is wrong with it, without the file's name.
    """

    def __init__(self, path: str | PathLike[str], reason: str) -> None:
        self.path = str(path)
        self.reason = reason
        super().__init__(f"{self.path}: {reason}")


class BracketError(StackerError, ValueError):
    """The frames do not make one bracket: too few, or of different kinds.

    Attributes
    ----------
    names : tuple of str
        The frames at fault, as they were given; empty when it is the whole bracket.
    """

    def __init__(self, message: str, *, names: tuple[str, ...] = ()) -> None:
        self.names = names
        super().__init__(message)


class AlignmentError(StackerError, ValueError):
    """A frame cannot be registered to the others.

    Attributes
    ----------
    frame_index : int
        0-based number of the frame in depth order.
    correlation : float or None
        The correlation that was reached, 0..1; None where there was no answer at all.
    """

    def __init__(
        self, message: str, *, frame_index: int, correlation: float | None = None
    ) -> None:
        self.frame_index = frame_index
        self.correlation = correlation
        super().__init__(message)


class MemoryLimitError(StackerError, MemoryError):
    """The work does not fit the memory allowed.

    Attributes
    ----------
    needed_bytes, allowed_bytes : int
        What the work needs at least, and what the limit is.
    """

    def __init__(self, message: str, *, needed_bytes: int, allowed_bytes: int) -> None:
        self.needed_bytes = needed_bytes
        self.allowed_bytes = allowed_bytes
        super().__init__(message)


class OutputError(StackerError, OSError):
    """A result cannot be written: no such folder, no permission, no space."""


class OutputExistsError(OutputError, FileExistsError):
    """A result's file is already there and overwriting was not asked for."""


class StackerWarning(UserWarning):
    """A result is returned, but it is worse than what was asked for."""
