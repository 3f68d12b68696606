"""A small bar: how much of the distance that proves a fix has been seen clean."""

from markupsafe import Markup

from afterclear.digest.charts.svg import element, path, place

_WIDTH, _HEIGHT = 84.0, 14.0


def draw_growth(share: float) -> Markup:
    """Draw the wedge of the time line, small, filled up to ``share``; words are beside it."""
    reached = 2 + min(1.0, max(0.0, share)) * (_WIDTH - 4)
    height = 3 + share * (_HEIGHT - 4)
    filled = f"M2,{place(_HEIGHT)}v-3L{place(reached)},{place(_HEIGHT - height)}V{place(_HEIGHT)}z"
    whole = f"M2,{place(_HEIGHT)}v-3L{place(_WIDTH - 2)},1V{place(_HEIGHT)}z"
    return element(
        "svg",
        path([whole], class_="to-go"),
        path([filled], class_="evidence"),
        viewBox=f"0 0 {place(_WIDTH)} {place(_HEIGHT)}",
        class_="growth",
        aria_hidden="true",
        focusable="false",
    )
