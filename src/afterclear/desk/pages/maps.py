"""The garage's maps: how files of one kind are read, shown and mended in place."""

from starlette.responses import Response

from afterclear.commands.intake.own_maps import map_text, mend_map, own_maps
from afterclear.desk.request import BUSY, Asked, go_to
from afterclear.errors import AfterclearError, ConfigError, UsageError, told_by, worded


def maps(asked: Asked) -> Response:
    """List the maps."""
    return asked.page("maps.html", names=own_maps(asked.desk.app))


def one_map(asked: Asked) -> Response:
    """Show a map to be mended."""
    name = asked.path["name"]
    text = map_text(asked.desk.app, name)
    return asked.page("map.html", name=name, text=text, was=text, problems=())


def mend(asked: Asked) -> Response:
    """Keep a mended map, and read again what refused something if that is wanted."""
    name, text = asked.path["name"], asked.form.get("text", "")
    try:
        if asked.form.get("again") and asked.desk.bench.is_busy:
            raise UsageError(BUSY)  # before the map is kept
        mend_map(asked.desk.app, name, text, asked.form.get("was", ""))
    except AfterclearError as error:
        was = asked.form.get("was", "")
        problems = error.mistakes if isinstance(error, ConfigError) else (told_by(error),)
        return asked.page("map.html", status=400, name=name, text=text, was=was, problems=problems)
    asked.tell(name)
    if asked.form.get("again"):
        return asked.begin(worded("Read again what was refused"), [["replay"]])
    return go_to("/maps")
