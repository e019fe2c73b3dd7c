"""One small file, written whole or not at all."""

import os
import tempfile
from os import PathLike
from pathlib import Path

from stacker.errors import OutputError, OutputExistsError
from stacker.files.boundary import one_line

__all__ = ["write_whole"]


def write_whole(
    path: str | PathLike[str], data: bytes, *, overwrite: bool = False
) -> None:
    """Write a file under a hidden name beside its own, then give it its name.

    Parameters
    ----------
    path : path
        The file.
    data : bytes
        All of it.
    overwrite : bool
        Replace a file that is there already.

    Raises
    ------
    OutputExistsError
        A file is there already and `overwrite` is off.
    OutputError
        It cannot be written.
    """
    target = Path(path)
    if os.path.lexists(target) and not overwrite:
        msg = f"{target}: exists already (overwriting was not asked for)"
        raise OutputExistsError(msg)
    hidden: Path | None = None
    try:
        number, name = tempfile.mkstemp(prefix=f".{target.name}-", dir=target.parent)
        hidden = Path(name)
        with os.fdopen(number, "wb") as file:
            file.write(data)
        hidden.chmod(0o666 & ~_umask())
        hidden.replace(target)
    except OSError as err:
        msg = f"{target}: cannot be written ({one_line(err)})"
        raise OutputError(msg) from err
    finally:
        if hidden is not None:
            hidden.unlink(missing_ok=True)


def _umask() -> int:
    """Read the mask of new files; it can only be read by setting it."""
    mask = os.umask(0)
    os.umask(mask)
    return mask
