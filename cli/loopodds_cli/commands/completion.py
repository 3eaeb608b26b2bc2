"""``loopodds completion``: the script that makes a shell complete commands, options and names."""

import click


@click.command()
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def command(shell: str) -> None:
    """Print the script that completes commands in a shell.

    Have the shell read it at start-up, for instance from ~/.bashrc.

    \b
    Example:
      eval "$(loopodds completion bash)"
    """
    from click.shell_completion import get_completion_class

    from loopodds_cli.main import main

    kind = get_completion_class(shell)
    if kind is None:
        raise click.UsageError(f"no completion for {shell}")
    click.echo(kind(main, {}, "loopodds", "_LOOPODDS_COMPLETE").source())
