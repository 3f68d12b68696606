"""A page's own style sheet, and what is taken from its finished HTML.  Pure but for our own files.

Pages are mailed and copied one by one, so each carries its style sheet and its signs: of both
only what it uses, without the blanks and comments that are there for us.
"""

import re
from functools import cache, lru_cache
from pathlib import Path

from markupsafe import Markup

TEMPLATES = Path(__file__).parents[1] / "templates"

_CLASSES = re.compile(r'class="([^"]*)"')
_NAMES = re.compile(r"[\w-]+")
_CLASS = re.compile(r"\.([a-zA-Z][\w-]*)")
_RULE = re.compile(r"([^{}]+)(\{[^{}]*\})")
_NOT = re.compile(r":not\([^)]*\)")
_SIGN = re.compile(r'<(symbol|marker) id="([^"]+)".*?</\1>\s*', re.DOTALL)
_GIVEN_LATER = {"id", "long"}  # to identifiers of the finished page
_HEAD = re.compile(r'<h2 id="([^"]+)"[^>]*>(.*?)</h2>', re.DOTALL)
_SHEET = re.compile(r'<section[^>]*class="sheet".*?</section>', re.DOTALL)


def page_style(title: Markup, body: Markup, script: str | None, sheets: tuple[str, ...]) -> Markup:
    """Return the rules a page needs of some sheets; on paper its title stands above every sheet.

    Chromium prints margin boxes of ``@page`` (CSS Paged Media 3) from version 131 on; other
    browsers leave them out.
    """
    met = set(" ".join(_CLASSES.findall(body)).split()) | set(_NAMES.findall(script or ""))
    rules = _rules_for(frozenset((met | _GIVEN_LATER) & _known_classes(sheets)), sheets)
    return Markup(rules + _running_head(title.unescape()))  # noqa: S704  (names as numbers)


def used_signs(body: Markup) -> Markup:
    """Return a page's body without the symbols and markers it does not use."""

    def kept(sign: re.Match[str]) -> str:
        kind, name = sign.groups()
        use = f'href="#{name}"' if kind == "symbol" else f'class="{name}"'
        return sign[0] if use in body else ""

    return Markup(_SIGN.sub(kept, str(body)))  # noqa: S704  (what was there before)


def _running_head(title: str) -> str:
    r"""Return the rule that prints a title at the top of each sheet and its number below.

    >>> _running_head('A"1')
    '@page{@top-left{content:"A\\22 1"}@bottom-right{content:counter(page)" / "counter(pages)}}'
    """
    # whatever a name holds, it can neither end the string nor the style sheet
    text = "".join(c if c.isalnum() or c in " ,.-" else f"\\{ord(c):x} " for c in title)
    return (
        f'@page{{@top-left{{content:"{text}"}}'
        '@bottom-right{content:counter(page)" / "counter(pages)}}'
    )


@cache
def _joined(sheets: tuple[str, ...]) -> str:
    return compact_css("".join((TEMPLATES / s).read_text(encoding="utf-8") for s in sheets))


@cache
def _known_classes(sheets: tuple[str, ...]) -> frozenset[str]:
    return frozenset(_CLASS.findall(_joined(sheets)))


@lru_cache(maxsize=256)
def _rules_for(classes: frozenset[str], sheets: tuple[str, ...]) -> str:
    """Return style sheets without rules for classes a page does not have."""
    kept = _RULE.sub(lambda rule: _needed(rule, classes), _joined(sheets))
    return re.sub(r"@media[^{]+\{\}", "", kept)  # nothing is left in it


def _needed(rule: re.Match[str], classes: frozenset[str]) -> str:
    selectors, body = rule.groups()
    if selectors.startswith("@"):
        return rule[0]
    met = [s for s in selectors.split(",") if classes.issuperset(_CLASS.findall(_NOT.sub("", s)))]
    return f"{','.join(met)}{body}" if met else ""


def compact_css(css: str) -> str:
    """Return a style sheet without comments and needless blanks; ours has neither in strings.

    >>> compact_css("a:hover > b { color: red; } /* why */")
    'a:hover>b{color:red}'
    """
    without = re.sub(r"/\*.*?\*/", "", css, flags=re.DOTALL)
    joined = re.sub(r"\s+", " ", without)
    tight = re.sub(r" ?([{};,>]) ?|(?<=[a-z]): ", lambda m: m[1] or ":", joined)
    return tight.replace(";}", "}").strip()


def compact_html(html: str) -> str:
    r"""Return HTML whose lines begin at the margin; nothing on our pages keeps its blanks.

    >>> compact_html("<p>a\n    b</p>\n\n  <p>")
    '<p>a\nb</p>\n<p>'
    """
    return re.sub(r"\n\s+", "\n", html)


def sections(content: Markup) -> list[tuple[str, str]]:
    """Return target and heading of every section but the sheets meant to be printed alone."""
    own = _SHEET.sub("", str(content))
    return [
        (target, Markup(words).striptags())  # noqa: S704  (escaped once, as it stands on the page)
        for target, words in _HEAD.findall(own)
    ]
