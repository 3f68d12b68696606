"""What a name in a text may mean beside a component: wiring, another thing, a symptom."""

from typing import Final

WIRING: Final = "wiring"
OTHER: Final = ""  # what is no component: fluids of a service, seals, hoses
AS_WORK: Final = "!"  # after a consumable whose name says the work, too: "oil change"
SYMPTOM: Final = "?"  # symptoms, which are no parts: nobody replaces a misfire
SYMPTOMS: Final = frozenset({
    "misfire", "compression", "fuel_mixture", "intake_leak", "overheat", "communication",
    "evap_leak", "crash_data", "warning_lamp", "lamp_request", "torque_request", "gear_ratio",
    "cam_crank_correlation", "supply_voltage", "fuel_rail_pressure", "hv_isolation",
    "software_match", "airbag_lamp", "reference_voltage", "cruise_control", "reductant_consumption",
    "oil_quality", "brake_fluid_level", "brake_air_pressure", "hv_battery_voltage",
    "hydraulic_pressure", "hv_battery_temperature", "traction_control", "stability_control",
})  # fmt: skip
LAMPS: Final = frozenset({
    "headlamp", "tail_lamp", "brake_lamp", "fog_lamp", "indicator", "reversing_lamp",
    "licence_plate_lamp", "interior_lamp", "daytime_running_lamp",
})  # fmt: skip
