"""Words for work that say something else: how a thing was found, or that the old one went back."""

from itertools import pairwise
from typing import Final

from afterclear.catalogue.order_text.told import Act, Clause, Part
from afterclear.catalogue.order_words.meanings import WIRING

_CONTACTS: Final = {"hv_contactor", "power_relay", "glow_plug_control"}  # they weld, not welders
# nothing in them can be taught, and a cleaned hub is no work on its bearing
_DEAF: Final = frozenset({
    "tyre", "brake_pad", "brake_disc", "spring", "damper", "stabiliser", "suspension_arm",
    "wheel_bearing", "driveshaft", "timing_chain", "drive_belt", "engine_mount", "exhaust_system",
    "charge_air_cooler", "radiator", "air_filter", "cabin_filter", "fuel_filter", "fuel_cap",
    "fuel_tank", "cylinder_head_gasket", "thermostat", "spark_plug", "glow_plug", "valve_train",
    "tone_ring", "catalyst", "wiring", "brake_caliper", "master_cylinder", "brake_booster",
})  # fmt: skip
_TOOL_WORDS: Final = 2
_CABLE_WORDS: Final = 4  # of a cable that came with a new part, and the work
_LIT: Final = "airbag"
_GAS: Final = "refrigerant"
_COOLED: Final = {"ac_compressor", "ac_pressure_sensor", "ac_condenser"}
# whatever is done with a seal is to renew it (common practice, no source)
SEALS: Final = frozenset({
    "injector_seal", "valve_cover_gasket", "exhaust_gasket", "intake_gasket", "oil_seal",
})  # fmt: skip
_UNCLEANED: Final = SEALS | {"wheel_bearing", "timing_chain", "key", "fuse"}
_IMPOSSIBLE: Final = {"software": _DEAF, "clean": _UNCLEANED}
# whatever is done with them is to renew them (common practice, no source)
_RENEWED: Final = frozenset({
    "timing_chain", "coolant_pump", "drive_belt", "brake_pad", "brake_disc", "clutch", "damper",
    "spring", "wheel_bearing", "tyre", "air_filter", "cabin_filter", "fuel_filter", "spark_plug",
    "glow_plug", "thermostat", "stabiliser", "suspension_arm", "driveshaft", "engine_mount",
    "transmission_fluid", "refrigerant", "cylinder_head_gasket",
})  # fmt: skip
# their counters and learned values are software's
_COUNTED: Final = frozenset({
    "particulate_filter", "battery", "battery_sensor", "control_unit", "throttle_body",
    "mechatronic_unit", "injector", "tyre_pressure_sensor", "steering_angle_sensor",
    "particulate_filter_pressure_sensor", "yaw_rate_sensor", "ride_height_sensor",
})  # fmt: skip
# tight or not, and nothing on them can be set (common practice, no source)
SEALED: Final = frozenset({
    "fuel_cap", "charge_air_cooler", "exhaust_system", "radiator", "coolant_hose", "brake_hose",
    "brake_line", "vacuum_hose", "fuel_line", "leak_off_line", "intake_hose", "dpf_pressure_pipe",
    "turbo_oil_line", "oil_pan", "oil_drain_plug", "ac_line", "steering_line", "expansion_tank",
    "heater_core", "ac_condenser", "oil_cooler", "undertray", "exhaust_clamp", "wheel_bolt",
    "hose_clamp",
})  # fmt: skip
_MEASURED: Final = frozenset({"brake_disc", "brake_pad"})  # nothing on them can be adjusted
# after work on them the wheels are aligned, not they (common practice, no source)
AXLE: Final = frozenset({
    "suspension_arm", "stabiliser", "spring", "damper", "wheel_bearing", "steering_rack",
})  # fmt: skip
BOTH_SIDES: Final[dict[str, set[str]]] = {"side": {"left", "right"}}


def is_possible(action: str, key: str) -> bool:
    """Whether such work can be done on a component at all.

    >>> is_possible("software", "tyre")
    False
    """
    return key not in _IMPOSSIBLE.get(action, ())


def action_on(key: str, act: Act) -> str:
    """Name what a word means on a component: a terminal "tightened" is repaired; empty: nothing.

    >>> action_on("wiring", Act(0, "adjust", weak=False))
    'repair'
    >>> action_on("brake_disc", Act(0, "adjust", weak=False))
    'inspect'
    """
    if act.light and key not in _RENEWED:
        return "repair" if key == WIRING else ""
    if act.reset:
        return "software" if key in _COUNTED else ""
    if act.aligns and key in AXLE:
        return ""
    if act.action == "adjust":
        return adjusted(key)
    return act.action


def adjusted(key: str) -> str:
    """Name the action where a part is said to be set, or tightened."""
    if key == WIRING or key in SEALED:
        return "repair"
    return "inspect" if key in _MEASURED else "adjust"


def find(clauses: list[Clause]) -> None:
    """Take "welded" or "stuck" for how a contact was found, or a part that was then replaced.

    An airbag that is lit is a lamp.
    """
    for at, clause in enumerate(clauses):
        if clause.is_state and not clause.acts:
            clause.parts = [p for p in clause.parts if p.key != _LIT or p.words > 1]
        if not any(a.finding for a in clause.acts):
            continue
        near = [c for c in clauses[at:] if c.sentence <= clause.sentence + 1]
        keys = {p.key for p in clause.parts}
        renewed = any(
            a.action == "replace" for c in near if not keys.isdisjoint({p.key for p in c.parts})
            or not c.parts for a in c.acts if not a.finding
        )  # fmt: skip
        if renewed or not keys.isdisjoint(_CONTACTS):
            clause.acts = [a for a in clause.acts if not a.finding]
            clause.is_state = True


def detach(clauses: list[Clause]) -> None:
    """Leave out wiring that only says how a part was: "socket with a burnt pin renewed"."""
    for before, clause in pairwise(clauses):
        is_with = clause.beside and before.sentence == clause.sentence
        if not is_with or any(p.key != WIRING for p in clause.parts) or not clause.parts:
            continue
        is_tool = not (clause.acts or clause.is_state) and len(clause.words) <= _TOOL_WORDS
        if is_tool and before.acts and not before.parts:
            clause.parts = []  # "nozzle cleaned with a pin"
            continue
        is_renewed = bool(clause.acts) and all(a.action == "replace" for a in clause.acts)
        is_cause = clause.is_state and before.parts and not before.acts
        is_thing = bool(before.parts or before.heads) and not (before.is_state or before.said)
        if is_renewed and is_thing and not before.acts and len(clause.words) <= _CABLE_WORDS:
            before.acts, clause.acts = clause.acts, []  # "sensor with its cable renewed"
            clause.parts, clause.places = [], {}
        elif is_renewed and (before.acts or is_cause):
            clause.parts, clause.places = [], {}
            clause.acts = [] if before.acts else clause.acts  # "repaired with new terminals"


def fill_gas(clauses: list[Clause]) -> None:
    """Take "system filled" after work on the air conditioning for refrigerant."""
    is_cooled = False
    for clause in clauses:
        is_filled = any(a.fills for a in clause.acts) and not clause.void
        if is_cooled and is_filled and not (clause.parts or clause.used):
            clause.parts = [Part(_GAS, "", clause.acts[0].start, frozenset())]
            clause.loose, clause.strange, clause.heads = 0, 0, frozenset()
        is_cooled |= any(p.key in _COOLED for p in (*clause.parts, *clause.used))


def unpair(clauses: list[Clause]) -> None:
    """Take "both" for the two parts before it: "pads thin, discs lipped, replaced both"."""
    for at, clause in enumerate(clauses):
        two = [c for c in clauses[max(0, at - 2) : at] if c.sentence == clause.sentence]
        named = {p.key for c in two for p in c.parts}
        if clause.places == BOTH_SIDES and not clause.parts and len(named) > 1:
            clause.places = {}


def refit(clauses: list[Clause]) -> None:
    """Take "fitted" for no new part where the same part was taken out: "DPF out, DPF fitted"."""
    out: set[str] = set()
    mended = False  # what was named last
    last: set[str] = set()
    for clause in clauses:
        if clause.parts and not clause.void:
            mended = False
        if mended:
            clause.acts = [a for a in clause.acts if not a.fits]
        mended |= any(a.action == "repair" for a in clause.acts)
        is_new = any(a.action == "replace" and not a.fits for a in clause.acts)
        last = {p.key for p in clause.parts} or last
        if last and not is_new and last <= out:
            clause.acts = [a for a in clause.acts if not a.fits]
            clause.is_state = clause.is_state or not clause.acts
        if clause.removed and not clause.void:
            out.update(last)
