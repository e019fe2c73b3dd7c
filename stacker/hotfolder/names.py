"""Names that are made from other names: of results, and in a user's command.

File names come from anywhere and may hold anything; what is made of them here is a
plain name that no file system, shell or page can misread.
"""

import hashlib
import os
import re
import shlex
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from pathlib import PurePosixPath
from string import Formatter

from stacker.errors import InputError
from stacker.frame import FrameInfo

__all__ = ["check_template", "command_words", "fill_command", "result_name", "unused"]

NAME_FIELDS = ("folder", "first", "last", "date", "time", "count")
COMMAND_FIELDS = ("name", "state", "verdict", "message", "master", "report", "results")

# All but letters, digits and a few signs: separators, control and direction characters,
# and whatever has a meaning to Windows, shells, patterns or pages.
_UNSAFE = re.compile(r"[^\w .,+=@()#-]")
# Device names of Windows that no file may have, with or without a suffix.
_RESERVED = re.compile(r"(?i)^(con|prn|aux|nul|com[0-9]|lpt[0-9])(\.|$)")
# File systems allow 255 bytes (ext4, APFS, NTFS: characters): what is added to a name
# while it is written (".report.json", a prefix, "-12") needs room beside it.
_MAX_NAME_BYTES = 180
_DIGEST_CHARS = 8


def check_template(text: str, known: Sequence[str]) -> None:
    """Refuse a template that names unknown fields, or parts of them.

    Raises
    ------
    InputError
        The text is no template, or has a field that is not among `known`.
    """
    try:
        fields = [(f, spec, conv) for _, f, spec, conv in Formatter().parse(text)]
    except ValueError as err:
        msg = f"{text!r} is no template: {err}"
        raise InputError(msg) from err
    for name, spec, conversion in fields:
        if name is None:
            continue
        if name not in known or spec or conversion:
            choices = ", ".join(f"{{{k}}}" for k in known)
            msg = f"{text!r}: {{{name}}} is not known, expected {choices}"
            raise InputError(msg)


def result_name(
    template: str, infos: Sequence[FrameInfo], names: Sequence[str], root: str
) -> str:
    """Name a bracket's result.

    Parameters
    ----------
    template : str
        As checked by `check_template` with `NAME_FIELDS`.
    infos : sequence of FrameInfo
        Of the frames, in order.
    names : sequence of str
        Paths of the frames below the hot folder.
    root : str
        Name of the hot folder itself.

    Returns
    -------
    str
        A relative path with slashes and without suffix; every part can be used as a
        name anywhere, none leads outside.
    """
    first, last = PurePosixPath(names[0]), PurePosixPath(names[-1])
    taken = infos[0].captured
    fields = {
        "folder": first.parent.name or root,
        "first": first.stem,
        "last": last.stem,
        "date": f"{taken:%Y-%m-%d}" if taken else "undated",
        "time": f"{taken:%H%M%S}" if taken else "untimed",
        "count": str(len(names)),
    }
    safe = {key: _plain(value) for key, value in fields.items()}
    parts = [_plain(part) for part in template.format_map(safe).split("/")]
    kept = [part for part in parts if part]
    return "/".join(kept) or "bracket"


def unused(name: str, is_taken: Callable[[str], bool]) -> str:
    """`name`, or the first of name-2, name-3, ... that is free."""
    candidate, number = name, 1
    while is_taken(candidate):
        number += 1
        candidate = f"{name}-{number}"
    return candidate


def command_words(command: str) -> list[str]:
    """Split a user's command into words, as a shell would, and check its fields.

    Raises
    ------
    InputError
        A quote is not closed, nothing is named, or a field is not known.
    """
    try:
        words = shlex.split(command, posix=os.name != "nt")
    except ValueError as err:
        msg = f"{command!r} cannot be read as a command: {str(err).lower()}"
        raise InputError(msg) from err
    if not words:
        msg = "the command is empty"
        raise InputError(msg)
    for word in words:
        check_template(word, COMMAND_FIELDS)
    return words


def fill_command(words: Sequence[str], values: Mapping[str, str]) -> list[str]:
    """Put values into the words of a command: each stays in its own word."""
    return [word.format_map(values) for word in words]


def _plain(text: str) -> str:
    r"""Reduce a text to a name that is safe everywhere; empty if nothing is left.

    Examples
    --------
    >>> _plain("-rf\n<script>"), _plain("..")
    ('rf__script_', '')
    """
    composed = unicodedata.normalize("NFC", text)
    clean = _UNSAFE.sub("_", composed.encode("utf-8", "replace").decode())
    clean = clean.strip(" .").lstrip("-. ")
    if _RESERVED.match(clean):
        clean = f"_{clean}"
    data = clean.encode()
    if len(data) <= _MAX_NAME_BYTES:
        return clean
    digest = hashlib.sha256(text.encode("utf-8", "surrogateescape")).hexdigest()
    kept = data[: _MAX_NAME_BYTES - _DIGEST_CHARS - 1].decode(errors="ignore")
    return f"{kept}-{digest[:_DIGEST_CHARS]}"
