"""The picture of the help page on verdicts: which cause a come-back has, by its distance.

``python -m tests.calibration.picture`` draws it anew.  A quarter of repairs fails (half of those
come back within 1,000 km), half of the parts last 70,000 km, a new fault comes every 200,000 km.
"""

from collections.abc import Iterator
from pathlib import Path

import numpy as np
from markupsafe import Markup

import afterclear
from afterclear.digest.charts.axes import foot_axis, side_axis
from afterclear.digest.charts.scale import Scale
from afterclear.digest.charts.svg import element, path, picture, place, text_at
from tests.calibration.fleet import Floats

FILE = Path(afterclear.__file__).parent / "help" / "causes.svg"
_SIZE = (640.0, 300.0)
_LEFT, _RIGHT, _TOP, _BOTTOM = 56.0, 120.0, 16.0, 46.0
_KM = np.geomspace(100, 100_000, 121)
_P, _ETA, _LIFE, _KAPPA, _NEW = 0.25, 1_440.0, 81_000.0, 2.5, 1 / 200_000
_STYLE = (
    "text{font:13px sans-serif;fill:#333}.grid,.tick-mark{stroke:#ccc}"
    "path{fill:none;stroke-width:3}"
    ".held{stroke:#0b5fa5}.worn{stroke:#b35806;stroke-dasharray:9 4}.new{stroke:#555;"
    "stroke-dasharray:2 4}@media(prefers-color-scheme:dark){text{fill:#ddd}.grid{stroke:#444}}"
)


def shares() -> dict[str, Floats]:
    """Share of each cause among come-backs at each distance."""
    failed = _P * np.exp(-_KM / _ETA) / _ETA
    kept = 1 - _P + _P * np.exp(-_KM / _ETA)
    worn = kept * _KAPPA * (_KM / _LIFE) ** (_KAPPA - 1) / _LIFE
    new = kept * _NEW
    total = failed + worn + new
    return {"did not hold": failed / total, "worn out": worn / total, "new fault": new / total}


def drawn() -> str:
    """Draw it."""
    width, height = _SIZE
    across = Scale(2.0, 5.0, _LEFT, width - _RIGHT)
    up = Scale(0.0, 1.0, height - _BOTTOM, _TOP)
    ticks = [(k, f"{10**k:,.0f} km") for k in (2.0, 3.0, 4.0, 5.0)]
    content = [
        element("style", Markup(_STYLE)),  # noqa: S704 - our own text
        *side_axis([(v, f"{v:.0%}") for v in (0.0, 0.5, 1.0)], up, _LEFT, width - _RIGHT),
        *foot_axis(ticks, across, height - _BOTTOM, "evidenced distance of the come-back"),
    ]
    for css, (name, share) in zip(("held", "worn", "new"), shares().items(), strict=True):
        content.append(path(_line(share, across, up), class_=css))
        end = up(float(share[-1])) if css != "held" else up(0.94)
        x = width - _RIGHT + 8 if css != "held" else across(2.1)
        content.append(text_at(x, end + (22 if css == "held" else 4), name))
    words = (
        "causes",
        "Which cause a come-back has, by its distance",
        (
            "Up to some 6,000 km most come-backs are repairs that did not hold; then new faults, "
            "and from 25,000 km on worn parts."
        ),
    )
    svg = str(picture(content, _SIZE, words, "causes"))
    return svg.replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1) + "\n"


def _line(share: Floats, across: Scale, up: Scale) -> Iterator[str]:
    for i, (km, value) in enumerate(zip(np.log10(_KM), share, strict=True)):
        yield f"{'L' if i else 'M'}{place(across(float(km)))},{place(up(float(value)))}"


if __name__ == "__main__":
    FILE.write_text(drawn(), encoding="utf-8")
    print(f"wrote {FILE.name}")
