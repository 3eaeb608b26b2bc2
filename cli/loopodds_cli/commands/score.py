"""``loopodds score``: a whole archive of inspections."""

from __future__ import annotations

import click

from loopodds_cli.options import json_option, knowledge_option, print_json


@click.command()
@click.argument("archive", metavar="ARCHIVE")
@click.option("--out", required=True, metavar="FILE", help="Scored archive; a folder for a folder.")
@click.option("--rejects", metavar="FILE", help="Rows set aside; beside --out when left out.")
@click.option("--columns", metavar="MAP", help="Column map (TOML) of a foreign archive.")
@click.option(
    "--workers", default=1, show_default=True, type=click.IntRange(min=1), help="Processes."
)
@click.option(
    "--cluster", metavar="ADDRESS", help="Dask scheduler; Parquet only, --out is a folder."
)
@click.option("--resume", is_flag=True, help="Go on where a killed run stopped.")
@click.option(
    "--review",
    default=0,
    metavar="N",
    type=click.IntRange(min=0),
    help="List the N inspections most worth reopening.",
)
@click.option(
    "--review-out", metavar="FILE", help="Write that list to a file, .csv or .json (N: 100)."
)
@json_option
@knowledge_option
def command(
    archive: str,
    out: str,
    rejects: str | None,
    columns: str | None,
    workers: int,
    cluster: str | None,
    resume: bool,
    review: int,
    review_out: str | None,
    as_json: bool,
    knowledge: str | None,
) -> None:
    """Score an archive of inspections.

    ARCHIVE is a CSV, CSV.GZ or Parquet file with one row an inspection, a folder of Parquet
    files, or a demo archive: @metric or @us. The output has all its columns and the probability
    of every condition. Rows that cannot be used go to the rejects file with the reason; row 1 is
    the first below the header.

    \b
    Example:
      loopodds score @metric --out scored.csv --review 10
    """
    from loopodds_cli.desk.archives import Wishes, score

    wishes = Wishes(
        archive, out, rejects, columns, workers, cluster, resume, review, review_out, knowledge
    )
    summary = score(wishes)
    if as_json:
        print_json(summary.as_json())
        return
    from loopodds import load_knowledge

    from loopodds_cli.pages.score import print_summary

    print_summary(summary, load_knowledge(knowledge))
