"""Every command's help ends with an example that its own parser takes."""

import shlex
from typing import Any

import pytest
from typer.main import get_command

from tapeemu.cli import app

PROGRAM = get_command(app)
COMMANDS: dict[str, Any] = getattr(PROGRAM, "commands")  # noqa: B009  # typer's type does not tell


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_a_command_that_wants_arguments_shows_an_example(name: str) -> None:
    command = COMMANDS[name]
    arguments = [each for each in command.params if each.param_type_name == "argument"]
    assert bool(command.epilog) == bool(arguments)
    if arguments:
        program, told, *rest = shlex.split(command.epilog.removeprefix("Example: "))
        assert (program, told) == ("tapeemu", name)
        given = command.make_context(name, list(rest)).params
        # Nothing of it was taken as something else: each argument got a value.
        assert all(given[each.name] for each in arguments)


@pytest.mark.parametrize("name", sorted(COMMANDS))
def test_every_option_says_what_it_does(name: str) -> None:
    for option in COMMANDS[name].params:
        assert option.help, option.name


def test_the_list_of_commands_cuts_no_sentence() -> None:
    told = PROGRAM.get_help(PROGRAM.make_context("tapeemu", [], resilient_parsing=True))
    assert all(name in told for name in COMMANDS)
    assert "..." not in told.partition("Commands:")[2]
    assert "Begin with 'tapeemu demo'" in told
