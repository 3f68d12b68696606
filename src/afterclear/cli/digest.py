"""The command ``digest``."""

from typing import Any

import click

from afterclear.cli.frame import tell, with_app
from afterclear.commands.app import App
from afterclear.commands.pages.mailing import SentReport, send_digest, send_urgent
from afterclear.commands.pages.write_digests import (
    DigestAsked,
    chosen_audiences,
    digest_again,
    make_digest,
)
from afterclear.errors import worded


@click.command("digest")
@click.option("--for", "audiences", help="Which: fleet, garage, stock, with commas (default: all).")
@click.option("--email", is_flag=True, help="Send them to the people named under [mail].")
@click.option("--pdf", is_flag=True, help="Print each as a PDF too; needs Chromium.")
@click.option("--public", is_flag=True, help="Without personal data, under reports/public.")
@click.option(
    "--vehicles",
    type=click.Choice(["all", "named"]),
    help="Pages of all vehicles, or of those a page names (default: as in the config).",
)
@click.option(
    "--again", type=int, metavar="N", help="Make digest N again and compare it byte by byte."
)
@with_app
def command(app: App, /, **asked: Any) -> None:  # noqa: ANN401  (click's own)
    """Write the digests and pages of vehicles under reports/."""
    if asked["again"] is not None:
        _again(app, asked["again"])
        return
    wanted = DigestAsked(
        audiences=chosen_audiences(asked["audiences"]),
        public=asked["public"],
        pdf=asked["pdf"],
        vehicle_pages=asked["vehicles"],
    )
    report, model = make_digest(app, wanted)
    for paper in report.papers:
        click.echo(f"Printed {paper}")
    if report.notice:
        click.echo(report.notice, err=True)
    if report.n_removed:
        tell(worded("{n} pages of vehicles that have none any more removed.", n=report.n_removed))
    tell(
        worded(
            "{n} pages written as digest {number}. Open {place}",
            number=report.digest_id,
            n=report.n_pages,
            place=report.index,
        )
    )
    if asked["email"]:
        # urgent safety come-backs go first, even if the mail fails
        codes = [tell_sent(send_urgent(app, model)), tell_sent(send_digest(app, report, model))]
        if any(codes):
            raise SystemExit(max(codes))


def tell_sent(sent: SentReport) -> int:
    """Print what was sent; give the exit code."""
    for name in sent.sent:
        click.echo(f"sent: {name}")
    for name in sent.sent_before:
        click.echo(f"sent before, not again: {name}")
    for name in sent.failed:
        click.echo(f"not sent: {name}", err=True)
    return sent.exit_code


def _again(app: App, number: int) -> None:
    report = digest_again(app, number)
    click.echo(f"{report.n_pages} pages made again. Open {report.index}")
    if not report.differing:
        click.echo("Every page is the same to the byte.")
        return
    text = f"{len(report.differing)} pages differ: {', '.join(report.differing[:5])}"
    if report.is_unnamed:
        text = "Some pages differ; which is not known: of a digest so old one sum is kept for all."
    click.echo(text, err=True)
    click.echo("Later deliveries, other settings or another version change a digest.", err=True)
    raise SystemExit(3)
