"""The command ``help``."""

from importlib.resources import files

import click

from afterclear.export_columns import dictionary_of_others
from afterclear.finding_tables.dictionary import dictionary

_PAGES = files("afterclear") / "help"


def _topics() -> dict[str, str]:
    """Give each topic with the first heading of its page."""
    names = sorted(page.name for page in _PAGES.iterdir() if page.name.endswith(".md"))
    return {name.removesuffix(".md"): _page(name.removesuffix(".md"))[0] for name in names}


def _page(topic: str) -> tuple[str, str]:
    """Read a page: its heading and its whole text."""
    text = (_PAGES / f"{topic}.md").read_text(encoding="utf-8")
    heading = text.partition("\n")[0].removeprefix("# ").strip()
    if topic == "tables":
        text = f"{text}\n{dictionary()}\n{dictionary_of_others()}"
    return heading, text


@click.command("help")
@click.argument("topic", required=False)
def command(topic: str | None) -> None:
    """Show the help page on TOPIC; without one, list the topics."""
    topics = _topics()
    if topic is None:
        width = max(map(len, topics))
        for name, heading in topics.items():
            click.echo(f"  {name:{width}}  {heading}")
        click.echo(
            "Read one: afterclear help TOPIC.  A command's options: afterclear COMMAND --help"
        )
        return
    if topic not in topics:
        raise click.UsageError(f"no help on {topic!r}; topics are: {', '.join(topics)}")
    from rich.console import Console  # noqa: PLC0415 - the list of topics needs no renderer
    from rich.markdown import Markdown  # noqa: PLC0415

    console = Console()
    text = _page(topic)[1]
    if console.is_terminal:
        with console.pager(styles=True):
            console.print(Markdown(text))
    else:
        click.echo(text)
