"""Two layouts of every picture: beside a wide page's text, and for a narrow screen."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Layout:
    """Where things go: labels beside their rows, or above them on a narrow screen."""

    name: str
    width: float
    label_width: float  # 0: labels are above
    label_chars: int
    tick_apart: float


WIDE = Layout("wide", width=920, label_width=258, label_chars=43, tick_apart=86)
NARROW = Layout("narrow", width=330, label_width=0, label_chars=46, tick_apart=78)
