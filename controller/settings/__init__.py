"""The config: a TOML file in, frozen settings out, or one plain line for each mistake in it.

Read in this order: `tables` says what a key may hold, `checks` what must hold between keys, `mistakes` how a
mistake is told, `whole` what comes out (with `build` and `conversion`), `reading` puts it together.
"""

from controller.settings.mistakes import ConfigError
from controller.settings.reading import load, mail_password, password
from controller.settings.whole import Settings

__all__ = ["ConfigError", "Settings", "load", "mail_password", "password"]
