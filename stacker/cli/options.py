"""Options made from settings classes: names, choices, defaults and help come from there.

A field that is added to a settings class becomes an option by itself, so the two cannot
drift apart.
"""

import inspect
import re
from collections.abc import Callable, Collection, Mapping, MutableMapping
from dataclasses import Field, fields
from types import UnionType
from typing import (
    Any,
    Generic,
    Literal,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

import click
from click.core import ParameterSource

from stacker.errors import InputError

__all__ = ["SettingsOptions", "attribute_help"]

_Settings = TypeVar("_Settings")
_Command = TypeVar("_Command", bound=Callable[..., Any])


class SettingsOptions(Generic[_Settings]):
    """The options of one settings class.

    Parameters
    ----------
    kind : dataclass
        The settings class; every field has a default.
    renamed : mapping of str to str
        Option names, with underscores, of fields that have another name there.
    left_out : collection of str
        Fields that are no options of a command.
    """

    def __init__(
        self,
        kind: type[_Settings],
        *,
        renamed: Mapping[str, str] | None = None,
        left_out: Collection[str] = (),
    ) -> None:
        self.kind = kind
        self.names = {
            f.name: (renamed or {}).get(f.name, f.name)
            for f in _fields(kind)
            if f.name not in left_out
        }

    def __call__(self, command: _Command) -> _Command:
        """Add the options to a command, in the order of the fields."""
        types = get_type_hints(self.kind)
        texts = attribute_help(self.kind)
        for f in reversed(_fields(self.kind)):
            if f.name in self.names:
                name = self.names[f.name]
                option = _option(name, types[f.name], f.default, texts.get(f.name, ""))
                command = option(command)
        return command

    def fill(
        self, values: MutableMapping[str, Any], settings: _Settings, ctx: click.Context
    ) -> None:
        """Let `settings` stand for every option that was not given on the command line."""
        for field, name in self.names.items():
            if ctx.get_parameter_source(name) is not ParameterSource.COMMANDLINE:
                values[name] = getattr(settings, field)

    def take(self, values: MutableMapping[str, Any], **given: object) -> _Settings:
        """Build the settings from a command's values, and remove those from `values`.

        Raises
        ------
        click.UsageError
            A value is out of its range.
        """
        chosen = {field: values.pop(name) for field, name in self.names.items()}
        try:
            return self.kind(**chosen, **given)
        except InputError as err:
            raise click.UsageError(str(err)) from err


def attribute_help(kind: type) -> dict[str, str]:
    """Texts of the Attributes section of a class's docstring, by attribute.

    Examples
    --------
    >>> from stacker.settings import ReadSettings
    >>> attribute_help(ReadSettings)["max_pixels"][:38]
    'Largest picture (width times height) t'
    """
    doc = inspect.getdoc(kind) or ""
    _, _, section = doc.partition("Attributes\n----------\n")
    texts: dict[str, str] = {}
    names: list[str] = []
    for line in section.splitlines():
        if heading := re.fullmatch(r"(\w+(?:, \w+)*) : .*", line):
            names = heading[1].split(", ")
        elif line.startswith(" "):
            for name in names:
                texts[name] = f"{texts.get(name, '')} {line.strip()}".strip()
    return {name: text.replace("`", "") for name, text in texts.items()}


def _fields(kind: type) -> tuple[Field[Any], ...]:
    return fields(kind)


def _option(
    name: str, annotation: Any, default: object, text: str
) -> Callable[[_Command], _Command]:
    flag = "--" + name.replace("_", "-")
    if annotation is bool:
        # Something that is off by default needs no option to switch it off.
        return click.option(
            f"{flag}/--no-{flag[2:]}" if default else flag,
            is_flag=True,
            default=default,
            show_default=bool(default),
            help=text,
        )
    words, plain = _members(annotation)
    metavar = None
    kind: Any = plain[0] if plain else click.Choice(words)
    if words and plain:
        kind, metavar = _word_or_number, f"[{'|'.join(words)}|NUMBER]"
    return click.option(
        flag, type=kind, metavar=metavar, default=default, show_default=True, help=text
    )


def _members(annotation: Any) -> tuple[list[str], list[type]]:
    """Take an annotation apart: words of its literals, and plain types but None."""
    parts = get_args(annotation) if _is_union(annotation) else (annotation,)
    words = [w for p in parts if get_origin(p) is Literal for w in get_args(p)]
    plain = [p for p in parts if get_origin(p) is not Literal and p is not type(None)]
    return words, plain


def _is_union(annotation: Any) -> bool:
    return get_origin(annotation) in (Union, UnionType)


def _word_or_number(text: str) -> str | int:
    """Take a number as one; which words are allowed is for the settings class to say."""
    return int(text) if text.lstrip("-").isdecimal() else text
