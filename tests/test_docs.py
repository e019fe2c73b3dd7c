"""What the documents say can be done: every command line is one, every example runs."""

import doctest
import re
import shlex
from itertools import takewhile
from pathlib import Path

import click
import pytest

from stacker.cli import COMMANDS, main

ROOT = Path(__file__).parents[1]
OPERATORS = {">", ">>", "|", "&&"}  # of the shell: what follows is not for us
DOCUMENTS = [p for p in (ROOT / "README.md", ROOT / "DEVELOPERS.md") if p.exists()]


def command_lines(text):
    """Lines of shell blocks that call the tool, continued lines joined."""
    for block in re.findall(r"```(?:sh|console|bash)\n(.*?)```", text, re.DOTALL):
        for line in block.replace("\\\n", " ").splitlines():
            words = shlex.split(line.removeprefix("$ "), comments=True)
            for start, word in enumerate(words):
                if Path(word).name == "stacker":
                    yield list(
                        takewhile(lambda w: w not in OPERATORS, words[start + 1 :])
                    )
                    break


def commands():
    context = click.Context(main, info_name="stacker")
    return {name: main.get_command(context, name) for name in COMMANDS}


def test_the_readme_shows_the_main_job():
    lines = list(command_lines((ROOT / "README.md").read_text("utf-8")))
    assert any(line[:1] == ["fuse"] for line in lines)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: p.name)
def test_command_lines_are_understood(document):
    """An option that was renamed must not live on in the documents."""
    for words in command_lines(document.read_text("utf-8")):
        if not words or words[0].startswith("-"):
            continue
        command = commands().get(words[0])
        assert command is not None, f"{document.name}: stacker {shlex.join(words)}"
        if "--help" not in words:
            root = click.Context(main, info_name="stacker")
            command.make_context(words[0], words[1:], parent=root)


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda p: p.name)
def test_examples_in_python_run(document, monkeypatch, tmp_path):
    """Examples run where the sample lies beside them and results may be written."""
    (tmp_path / "sample_data").symlink_to(ROOT / "sample_data")
    monkeypatch.chdir(tmp_path)
    failed, _ = doctest.testfile(
        str(document), module_relative=False, optionflags=doctest.ELLIPSIS
    )
    assert failed == 0


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_explained(name):
    command = commands()[name]
    assert command is not None
    assert command.help
    assert COMMANDS[name] == command.get_short_help_str(limit=200)
    for param in command.params:
        if isinstance(param, click.Option):
            assert param.help, f"{name} {param.opts[0]}"
            assert re.match(r"[A-Z0-9\"]", param.help), f"{name} {param.opts[0]}"
            assert param.help.endswith((".", ")", "]")), f"{name} {param.opts[0]}"
