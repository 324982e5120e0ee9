"""`plumbsight schemas` and `plumbsight completion`."""

import json

import click
from click.shell_completion import get_completion_class

from calib_data.published import FILES, schema
from tools.cli import commands


@click.command("schemas")
@click.argument("name", type=click.Choice(sorted(FILES)), required=False)
def schemas_command(name: str | None) -> int:
    """Show the JSON Schema of one kind of file, or list the kinds."""
    click.echo(json.dumps(schema(name), indent=1, ensure_ascii=False) if name else "\n".join(FILES))
    return 0


@click.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion_command(shell: str) -> int:
    """Show the script that completes plumbsight's words in a shell.

    For bash: plumbsight completion bash > ~/.plumbsight.bash, then source that file in ~/.bashrc.
    """
    made = get_completion_class(shell)
    assert made is not None
    click.echo(made(commands, {}, "plumbsight", "_PLUMBSIGHT_COMPLETE").source())
    return 0
