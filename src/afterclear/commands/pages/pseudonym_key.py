"""Whether tokens stand for vehicles, sites and people, and the key they are made with."""

from afterclear.commands.app import App
from afterclear.config import environment_secret
from afterclear.digest.input.pseudonyms import Pseudonyms
from afterclear.errors import ConfigError

KEY_VARIABLE = "AFTERCLEAR_PSEUDONYM_KEY"
_SHORTEST_KEY = 16


def pseudonyms_of(app: App, *, public: bool) -> Pseudonyms | None:
    """Give the maker of tokens; None: names are shown.

    Raises:
        ConfigError: tokens are wanted and their key is missing or short.

    """
    if not (public or app.config.settings.privacy.pseudonyms):
        return None
    key = environment_secret(KEY_VARIABLE)
    if len(key) < _SHORTEST_KEY:
        raise ConfigError(f"{KEY_VARIABLE} needs at least {_SHORTEST_KEY} characters.")
    return Pseudonyms(key.encode(), public)
