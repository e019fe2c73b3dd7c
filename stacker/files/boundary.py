"""The door between foreign readers and this package.

Whatever a library raises while it reads a file leaves as one `FrameReadError` of one
line that names the file; what it says on its logger stays there.
"""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from os import PathLike

from stacker.errors import FrameReadError, InputError, StackerError

__all__ = ["one_line", "reading"]

_log = logging.getLogger(__name__)
# Python prints warnings of loggers that nobody has configured to stderr. tifffile warns
# about much that we either refuse or do not use.
logging.getLogger("tifffile").addHandler(logging.NullHandler())

# Longest part of a library's own message that is passed on: some quote the data.
_MAX_REASON_CHARS = 160


def one_line(error: BaseException) -> str:
    r"""Say what `error` says, on one line and without the file's name.

    Examples
    --------
    >>> one_line(ValueError("no\n  good"))
    'no good'
    """
    if isinstance(error, OSError) and error.strerror:
        text = error.strerror
    else:
        text = " ".join(str(error).split()) or type(error).__name__
    if len(text) > _MAX_REASON_CHARS:
        text = text[:_MAX_REASON_CHARS] + "..."
    return text[:1].lower() + text[1:] if text[1:2].islower() else text


@contextmanager
def reading(path: str | PathLike[str]) -> Iterator[None]:
    """Turn every failure inside the block into a `FrameReadError` for `path`.

    Raises
    ------
    FrameReadError
        Anything was raised inside but one of our own errors that names frames.
    """
    try:
        yield
    except InputError as err:  # what our own parsers say of the content
        raise FrameReadError(path, str(err)) from err
    except StackerError:
        raise
    except FileNotFoundError as err:
        raise FrameReadError(path, "no such file") from err
    except IsADirectoryError as err:
        raise FrameReadError(path, "is a folder, not a file") from err
    except MemoryError as err:
        raise FrameReadError(path, "not enough memory to decode it") from err
    except OSError as err:
        raise FrameReadError(path, f"cannot be read ({one_line(err)})") from err
    except Exception as err:  # foreign decoders raise anything
        _log.debug("reading %s failed", path, exc_info=True)
        raise FrameReadError(path, f"damaged or unsupported ({one_line(err)})") from err
