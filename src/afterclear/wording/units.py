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


# in an English sentence, where it is not the label with "control unit" behind it
_ENGLISH: Final = {
    "engine, second unit": "second engine control unit",
    "glow plugs": "glow plug control unit",
    "high voltage battery, second unit": "second high voltage battery control unit",
    "brakes": "brake control unit",
    "body, further unit": "further body control unit",
    "gateway": "gateway",
    "gateway, further unit": "further gateway",
    "side restraints, left": "left side restraint control unit",
    "side restraints, right": "right side restraint control unit",
    "instrument cluster": "instrument cluster",
    "head-up display": "head-up display",
    "compass": "compass",
    "climate, rear": "rear climate control unit",
    "lighting, rear": "rear lighting control unit",
    "door, front left": "front left door control unit",
    "door, front right": "front right door control unit",
    "door, further unit": "further door control unit",
    "door switch": "door switch unit",
    "remote functions": "remote function control unit",
    "side assist, left": "left side assist control unit",
    "side assist, right": "right side assist control unit",
    "yaw rate sensor": "yaw rate sensor",
    "steering angle sensor": "steering angle sensor",
    "restraint sensor": "restraint sensor",
    "rain sensor": "rain sensor",
    "front radar": "front radar",
    "front camera": "front camera",
    "NOx sensor": "NOx sensor",
    "NOx sensor, second": "second NOx sensor",
    "tachograph": "tachograph",
    "management computer": "management computer",
}


def unit_words(label: str, language: Language) -> str:
    """Name a control unit by its label, in the reader's language if it has a name for it.

    >>> unit_words("brakes", Language("de"))
    'Bremsen'
    """
    return language.t(label) if label in UNITS else label


def control_unit_words(label: str, language: Language) -> str:
    """Name a control unit within a sentence.

    An English sentence has its full name, with an article before it; sentences of other languages
    name it beside their word for "control unit", which may have to be declined.

    >>> control_unit_words("brakes", Language()), control_unit_words("brakes", Language("de"))
    ('brake control unit', 'Bremsen')
    """
    if language.tag != "en":
        return unit_words(label, language)
    if label in UNITS:
        return _ENGLISH.get(label, f"{label} control unit")
    return label if label.endswith(("unit", "module")) else f"{label} control unit"
