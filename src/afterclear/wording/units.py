"""The names of control units in the reader's language.  Pure."""

from typing import Final

from afterclear.wording.language import Language, mark

# labels of ``config/control_units.toml``; a label that a user adds appears as written there
UNITS: Final = frozenset(
    (
        mark("engine"),
        mark("engine, second unit"),
        mark("transmission"),
        mark("transfer case"),
        mark("four-wheel drive"),
        mark("gear shift"),
        mark("cruise control"),
        mark("fuel injection"),
        mark("glow plugs"),
        mark("throttle"),
        mark("alternative fuel"),
        mark("fuel pump"),
        mark("drive motor"),
        mark("high voltage battery"),
        mark("high voltage battery, second unit"),
        mark("hybrid powertrain"),
        mark("DC-AC converter"),
        mark("AC-DC converter"),
        mark("DC-DC converter"),
        mark("on-board charger"),
        mark("brakes"),
        mark("parking brake"),
        mark("yaw rate sensor"),
        mark("steering"),
        mark("steering angle sensor"),
        mark("steering column"),
        mark("tyre pressure"),
        mark("ride level"),
        mark("body"),
        mark("body, further unit"),
        mark("gateway"),
        mark("gateway, further unit"),
        mark("airbag"),
        mark("side restraints, left"),
        mark("side restraints, right"),
        mark("occupant sensing"),
        mark("restraint sensor"),
        mark("instrument cluster"),
        mark("information centre"),
        mark("head-up display"),
        mark("parking assist"),
        mark("audible alert"),
        mark("compass"),
        mark("navigation"),
        mark("climate"),
        mark("climate, rear"),
        mark("auxiliary heater"),
        mark("immobiliser"),
        mark("security"),
        mark("sunroof"),
        mark("folding roof"),
        mark("lighting"),
        mark("lighting, rear"),
        mark("entertainment"),
        mark("telematics"),
        mark("door, front left"),
        mark("door, front right"),
        mark("door, further unit"),
        mark("door switch"),
        mark("window motor"),
        mark("seat"),
        mark("mirror"),
        mark("remote functions"),
        mark("heated steering wheel"),
        mark("tailgate"),
        mark("rain sensor"),
        mark("side assist, left"),
        mark("side assist, right"),
        mark("side assist"),
        mark("convenience recall"),
        mark("front radar"),
        mark("front camera"),
        mark("grille shutter"),
        mark("NOx sensor"),
        mark("NOx sensor, second"),
        mark("exhaust aftertreatment"),
        mark("turbocharger"),
        mark("retarder"),
        mark("drive axle"),
        mark("tachograph"),
        mark("trailer"),
        mark("power supply"),
        mark("hydraulics"),
        mark("management computer"),
    )
)


def unit_words(label: str, language: Language) -> str:
    """Name a control unit by its label, in the reader's language if it has a name for it.

    >>> unit_words("brakes", Language("de"))
    'Bremsen'
    """
    return language.t(label) if label in UNITS else label
