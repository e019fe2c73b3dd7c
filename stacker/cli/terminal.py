"""What a terminal of few characters can show: "um" for "µm", escapes for the rest."""

import codecs
import sys

__all__ = ["spell_what_cannot_be_shown"]

_HANDLER = "stacker.spelled"
_SPELLED = {"µ": "u"}


def _spell(error: UnicodeError) -> tuple[str | bytes, int]:
    if isinstance(error, UnicodeEncodeError):
        first = error.object[error.start]
        if first in _SPELLED:
            return _SPELLED[first], error.start + 1
    return codecs.backslashreplace_errors(error)


def spell_what_cannot_be_shown() -> None:
    """Let characters that the standard streams cannot encode be written another way."""
    codecs.register_error(_HANDLER, _spell)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        # Streams of other programs may be of any kind; theirs stay as they are.
        if reconfigure is not None and stream.errors in ("strict", "surrogateescape"):
            reconfigure(errors=_HANDLER)
