"""What commands import and prepare when they are first asked, for a server that forks them.

In a process of its own each would pay for it again: a third of an analysis of a small garage, and
half of a digest.
"""

import importlib
from pkgutil import walk_packages
from typing import Final

import afterclear.commands
import afterclear.findings
from afterclear.catalogue.code_meaning import Catalogue
from afterclear.cli import COMMANDS
from afterclear.commands.pages.kept_pages import _program_sum
from afterclear.config import Config
from afterclear.digest.output.page_style import TEMPLATES
from afterclear.digest.output.render import _environment  # its templates, once compiled
from afterclear.wording.cells import Cells

_LATE: Final = (
    *(m.name for m in walk_packages(afterclear.commands.__path__, "afterclear.commands.")),
    *(m.name for m in walk_packages(afterclear.findings.__path__, "afterclear.findings.")),
    *(f"afterclear.cli.{module}" for module, _ in COMMANDS.values()),
    "afterclear.catalogue.order_text.reading",
    *("rapidfuzz.process", "rapidfuzz.distance", "snowballstemmer"),
)
for _name in _LATE:
    importlib.import_module(_name)
for _template in TEMPLATES.glob("*.html*"):
    _environment(Cells()).get_template(_template.name)
Catalogue.load(Config(None).tables)
_program_sum()
