"""``loopodds whatif``: the case beside its variations."""

from pathlib import Path

import click

from loopodds_cli.options import (
    CaseType,
    WritingCommand,
    common_options,
    number_option,
    open_case,
    output_option,
    picture_option,
    print_json,
    print_or_write,
)

ALONE = {"-h": "--help", "-q": "--quiet"}


class NoBundles(WritingCommand):
    """A command whose words may begin with a dash: the h of ``-superheat`` asks for no help."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """As click does, but a letter is an option only where it stands alone, as ``-h``."""
        for parameter in self.params:
            parameter.opts = [word for word in parameter.opts if word.startswith("--")] or (
                parameter.opts
            )
        return super().parse_args(ctx, [ALONE.get(word, word) for word in args])


@click.command(
    cls=NoBundles,
    context_settings={"ignore_unknown_options": True, "help_option_names": ["--help"]},
)
@click.argument("case", metavar="CASE", type=CaseType(), required=False)
@click.argument("changes", metavar="CHANGE...", nargs=-1)
@click.option(
    "--interactive",
    is_flag=True,
    help="Serve a page for a class, on this computer only; without CASE it begins with a car"
    " nobody has looked at.",
)
@output_option("--out", "With --interactive: write the page as one file, and serve nothing.")
@number_option(
    "--port", 0, 65535, "Where to serve the page; any free port when left out.", default=0
)
@picture_option
@common_options
def command(
    case: str | None,
    changes: tuple[str, ...],
    interactive: bool,
    out: str | None,
    port: int,
    picture: str | None,
    as_json: bool,
    knowledge: str | None,
) -> None:
    """Show a case beside its variations.

    A CHANGE is name=state, name='2.1 bar', or -name for something not recorded. A fault may be
    supposed too, to see what one would then expect: drier_saturated=present. The word or begins
    the next variation.

    \b
    Example:
      loopodds whatif @wet_loop sample_bubbles=none or moisture=wet -low_side
      loopodds whatif @wet_loop --interactive
    """
    if interactive:
        if changes or as_json or picture:
            raise click.UsageError("--interactive takes no CHANGE, --picture or --json")
        _class_page(case, port, out, knowledge)
        return
    if out is not None:
        raise click.UsageError("--out is for the page of --interactive")
    if case is None or not changes:
        raise click.UsageError("give a CASE and at least one CHANGE, or --interactive")
    from loopodds import MOST_LINES, scenarios_picture, write_whole

    from loopodds_cli.cases import assessed
    from loopodds_cli.pages.what_if import print_what_if

    result = assessed(case, knowledge)
    scenarios = result.what_if(*changes)
    if picture is not None:
        if len(scenarios.variations) > MOST_LINES:
            raise click.UsageError(f"a picture holds at most {MOST_LINES} variations")
        write_whole(Path(picture), scenarios_picture(scenarios, result.knowledge).svg)
    if as_json:
        plain = scenarios.as_json()
        for told, scenario in zip(plain["variations"], scenarios.variations, strict=True):
            told["stops"] = [stop.as_json() for stop in result.stops_of(scenario)]
        print_json({**result.stops_json(), **plain})
    else:
        print_what_if(scenarios, result)


def _class_page(case: str | None, port: int, out: str | None, knowledge: str | None) -> None:
    from loopodds import Knowledge, LoopoddsError, Model

    from loopodds_cli.bay.classroom import class_page

    known = Knowledge(knowledge)
    text = class_page(Model(known), open_case(case, known) if case is not None else None)
    if out is not None:
        print_or_write(out, text)
        return
    try:
        from loopodds_cli.bay.server import HERE, listening, only_page, serve
    except ModuleNotFoundError as error:
        problem = (
            f"{error.name} is missing; install it with: pip install 'loopodds[bay]', or write the "
            "page as one file with --out"
        )
        raise LoopoddsError(problem) from error
    with listening(HERE, port) as at:
        port = at.getsockname()[1]
        click.echo(f"Open http://{HERE}:{port}/ in a browser; Ctrl-C here ends it.")
        serve(only_page(text, {f"{HERE}:{port}", f"localhost:{port}"}), at)
