"""The command ``check``."""

import click

from afterclear.cli.frame import with_app
from afterclear.commands.app import App
from afterclear.commands.queries.health import HALF_FORGOTTEN
from afterclear.commands.upkeep import CheckReport, check

EXIT_DAMAGED = 5


@click.command("check")
@click.option("--quick", is_flag=True, help="Leave out making all verdicts again.")
@with_app
def command(app: App, *, quick: bool) -> None:
    """Check that the store and its archive are whole and every verdict can be made again."""
    report = check(app, quick=quick)
    for finding in report.findings:
        mark = "WRONG" if finding.n_breaches else "-" if finding.left_out else "ok"
        reason = f" ({finding.left_out})" if finding.left_out else ""
        click.echo(f"{mark:>5}  {finding.says}{reason}")
    tell_findings(report)


def tell_findings(report: CheckReport) -> None:
    """Print what does not hold, and leave with its exit code."""
    for finding in report.wrong:
        click.echo(
            f"WRONG: {finding.says} {finding.n_breaches} times, such as: "
            f"{', '.join(finding.examples)}",
            err=True,
        )
    if report.left_over:
        click.echo(
            f"{len(report.left_over)} archived files belong to no load, as a killed load leaves "
            "them; 'afterclear vacuum' removes them.",
            err=True,
        )
    if report.is_half_forgotten:
        click.echo(HALF_FORGOTTEN, err=True)
    if report.wrong:
        click.echo("Restore the last backup, and keep this store for whoever looks into it.")
        raise SystemExit(EXIT_DAMAGED)
    if report.is_half_forgotten:
        raise SystemExit(EXIT_DAMAGED)
    click.echo("Nothing wrong found.")
