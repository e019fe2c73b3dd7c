"""What a value of a setting may be, and what is said of one that may not."""

from math import inf

from stacker.errors import InputError

__all__ = ["are_multipliers", "check"]


def check(condition: bool, name: str, value: object, expected: str) -> None:  # noqa: FBT001
    """Raise `InputError`, naming setting and value, unless the condition holds."""
    if not condition:
        msg = f"{name} is {value!r}: expected {expected}"
        raise InputError(msg)


def are_multipliers(text: str) -> bool:
    """Tell whether a text is three positive numbers with commas between them."""
    try:
        values = [float(part) for part in text.split(",")]
    except ValueError:
        return False
    return len(values) == 3 and all(0 < v < inf for v in values)
