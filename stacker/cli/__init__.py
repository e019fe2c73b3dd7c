"""The command line: each command converts, calls the library once, and prints.

One file per command. A command's module is imported when the command is named, and
imports what computes only inside the command, so that help appears at once.
"""

import click

from stacker.cli.group import CommandGroup, verbosity_options

__all__ = ["main"]

COMMANDS = {
    "batch": "Fuse all brackets below a folder.",
    "check": "Tell whether a bracket is complete and without faults.",
    "fuse": "Fuse the frames of a bracket into one picture.",
    "handoff": "Hand aligned frames, masks and layers to the retoucher.",
    "patch": "Do a place again with another frame.",
    "plan": "Plan a bracket from lens, camera and subject.",
    "status": "Say how the brackets of a watched folder stand.",
    "watch": "Watch a folder and fuse every bracket that comes in.",
}
"""Name and summary of every command; ``stacker.cli.NAME`` holds it as ``NAME``."""


@click.group(cls=CommandGroup, summaries=COMMANDS)
@verbosity_options
@click.version_option(package_name="stacker", message="%(prog)s %(version)s")
def main() -> None:
    """Fuse focus brackets of still lifes at full resolution and bit depth.

    Exit status: 0 done; 1 could not be done; 2 wrong usage; 3 done, but a person should
    look at the bracket; 130 interrupted, with nothing half-written left behind.
    """
