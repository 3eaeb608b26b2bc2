"""``loopodds bay``: the page at the car, for phone, tablet and laptop."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click
from loopodds import LoopoddsError

from loopodds_cli.book.options import book_option, who_option
from loopodds_cli.options import (
    WritingCommand,
    knowledge_option,
    number_option,
    output_option,
    prices_option,
    print_or_write,
)

if TYPE_CHECKING:
    from loopodds import Model

PORT = 8420


@click.command(cls=WritingCommand)
@output_option("--out", "Write the page as one file that needs no server, and serve nothing.")
@click.option("--lan", is_flag=True, help="Serve phones and tablets of the local network too.")
@number_option("--port", 0, 65535, "Port to serve at; 0 takes any free one.", PORT)
@book_option
@who_option
@prices_option
@knowledge_option
def command(
    out: str | None,
    lan: bool,
    port: int,
    book: str | None,
    who: str,
    prices: str | None,
    knowledge: str | None,
) -> None:
    """Serve the page at the car, or write it as one file.

    The page asks one thing at a time, from intake to closing, and goes on without the network:
    it works out what is likely, what is shut and what to test next by itself, and sends what was
    entered to the case book as soon as it can. Only this computer may open it, unless --lan is
    given; then each device needs the word shown, once.

    \b
    Example:
      loopodds bay --out bay.html
    """
    from loopodds import Knowledge, Model, as_text, carried, load_prices

    try:
        from loopodds_cli.bay.single_file import page

        model = Model(Knowledge(knowledge))
        content = as_text(carried(model, load_prices(prices, model.knowledge)))
        if out is not None:
            print_or_write(out, page(content, server=False, paired=False))
            return
        _serve(model, page(content, server=True, paired=lan), lan, port, book, prices, who)
    except ModuleNotFoundError as error:
        problem = f"{error.name} is missing; install it with: pip install 'loopodds[bay]'"
        raise LoopoddsError(problem) from error


def _serve(
    model: Model, text: str, lan: bool, port: int, book: str | None, prices: str | None, who: str
) -> None:
    from loopodds import book_path

    from loopodds_cli.bay.desk import Desk
    from loopodds_cli.bay.pairing import Pairing
    from loopodds_cli.bay.server import HERE, Bay, address_on_network, listening, serve

    host = address_on_network() if lan else HERE
    with listening(host, port) as at:
        port = at.getsockname()[1]
        hosts = {f"{host}:{port}", *([] if lan else [f"localhost:{port}"])}
        pairing = None
        if lan:
            path = book_path(book)
            file = path.with_name(f"{path.name}.devices")
            file.parent.mkdir(parents=True, exist_ok=True)
            pairing = Pairing(file, lambda word: _show_word(f"http://{host}:{port}/", word))
        else:
            click.echo(f"Open http://{host}:{port}/ in a browser; Ctrl-C here ends it.")
        serve(Bay(lambda: Desk(model, book, prices, who), text, hosts, pairing), at)


def _show_word(address: str, word: str) -> None:
    """The address with the word for the next device, and as a picture for its camera."""
    import segno

    click.echo(f"\nThe next device opens {address}#{word}")
    click.echo(f"or {address} and types the word: {word}")
    segno.make(f"{address}#{word}", error="m").terminal(compact=True)
