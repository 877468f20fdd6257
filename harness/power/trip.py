"""Why power was cut, and what that usually means at the bench."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class TripReason(StrEnum):
    """Every reason for which the harness cuts power."""

    OVER_VOLTAGE = "over_voltage"
    OVER_CURRENT = "over_current"
    OVER_POWER = "over_power"
    CHARGE_BUDGET = "charge_budget"
    ENERGY_BUDGET = "energy_budget"
    TIME_AT_LIMIT = "time_at_limit"
    VOLTAGE_NOT_REACHED = "voltage_not_reached"
    REVERSED_CURRENT = "reversed_current"
    UNSETTLED = "unsettled"
    LIMIT_PASSED = "limit_passed"
    TURNED_TOO_FAR = "turned_too_far"
    TURNED_TOO_FAST = "turned_too_fast"
    NOT_TURNED = "not_turned"
    EXPECTED_OVER_LIMIT = "expected_over_limit"
    NO_READING = "no_reading"
    INSTRUMENT_SILENT = "instrument_silent"
    LINK_LOST = "link_lost"
    READBACK = "readback"
    SETTING_CHANGED = "setting_changed"
    INSTRUMENT_ERROR = "instrument_error"
    FROZEN_READINGS = "frozen_readings"
    PROTECTION = "protection"
    OUTPUT_DROPPED = "output_dropped"
    CONTACT_OPEN = "contact_open"
    CONTACT_WELDED = "contact_welded"
    RELAY_OPEN = "relay_open"
    RELAY_WELDED = "relay_welded"
    OUT_OF_STEP = "out_of_step"
    CLIENT_SILENT = "client_silent"
    KEEPER_LOST = "keeper_lost"
    UNWATCHED = "unwatched"
    NO_ANSWER = "no_answer"
    RECORD_LOST = "record_lost"
    INTERNAL = "internal"
    STOPPED = "stopped"

    @property
    def meaning(self) -> str:
        """What it usually means at the bench, and where to look (common practice)."""
        return _MEANINGS[self]


#: Why power is to be cut, and what was seen.
Finding = tuple[TripReason, str]

_MEANINGS = {
    TripReason.OVER_VOLTAGE: "the supply gave more than the envelope allows: check its setting, "
    "sense leads, and whether the unit feeds voltage back",
    TripReason.OVER_CURRENT: "the unit drew more than the envelope allows: at the first level look "
    "for a short before the switch; later for a part that gave way, or too large a load",
    TripReason.OVER_POWER: "the unit drew more power than the envelope allows: look for a hot part "
    "and for an output that is short-circuited",
    TripReason.CHARGE_BUDGET: "current that raises no voltage: at the first level look for a short "
    "before the switch (varistor, bridge, bulk capacitor, switch); at a higher level for a part "
    "that breaks over under voltage; with a small current for a leaking capacitor",
    TripReason.ENERGY_BUDGET: "power that charges nothing: at the first level look for a short "
    "before the switch (varistor, bridge, bulk capacitor, switch); at a higher level for a part "
    "that breaks over under voltage; with little power for a leaking capacitor",
    TripReason.TIME_AT_LIMIT: "the supply stayed in current limit: look for a short at the input, "
    "or give the profile the bulk capacitance if it is simply large",
    TripReason.VOLTAGE_NOT_REACHED: "the voltage rests away from what was set: below it the unit "
    "loads the supply to its limit, so look for a short or a leak, and check the leads; above it "
    "the unit feeds back, or something else sets the supply",
    TripReason.REVERSED_CURRENT: "the supply reads current out of the unit into itself: leads or "
    "shunt are the wrong way round, or the unit feeds back; readings of that sign would hide a "
    "short",
    TripReason.LIMIT_PASSED: "the unit drew more than the current limit of the level, which only "
    "this program holds on a source set by hand: at a low level look for a short before the "
    "switch; near the start threshold the unit may only have been turned through it too fast",
    TripReason.TURNED_TOO_FAR: "the voltage at the unit went beyond what the level wants: the hand "
    "turned too far, the variable transformer was not at zero when the contact closed, or a load "
    "behind a lamp fell away",
    TripReason.TURNED_TOO_FAST: "the voltage at the unit rose faster than the plan allows: the "
    "hand turned too fast, or the variable transformer was not at zero when the contact closed",
    TripReason.NOT_TURNED: "the voltage did not get to where it was to be turned to in time: "
    "nobody turned, the mains behind the transformer is off, or the lamp in series glows and takes "
    "the rest: then look for a short or a leak in the unit",
    TripReason.UNSETTLED: "the readings do not come to rest: look for a loose contact, a cracked "
    "joint, or a converter that keeps trying to start",
    TripReason.EXPECTED_OVER_LIMIT: "the next level would need more than the current limit: the "
    "unit draws more than a healthy one; measure it cold before going on",
    TripReason.NO_READING: "an instrument gave no usable value (overload, not-a-number, or text "
    "that is no number): check its range and its leads",
    TripReason.INSTRUMENT_SILENT: "an instrument did not answer in time: check its power and cable",
    TripReason.LINK_LOST: "the link to an instrument broke: check cable, switch and adapter",
    TripReason.READBACK: "a setting read back differs from what was sent: check the instrument's "
    "range, its front-panel lock, and its dialect",
    TripReason.SETTING_CHANGED: "a setting is no longer what it was when it was read back: a hand "
    "on the front panel, another program that talks to the instrument, or the instrument itself",
    TripReason.INSTRUMENT_ERROR: "an instrument reports an error of its own: see its text",
    TripReason.FROZEN_READINGS: "the supply's readings do not change, not even in the last "
    "digit, where they must move, so that no bound was watched: switch the supply off and on, "
    "look for a display hold, and measure the unit before the next run",
    TripReason.PROTECTION: "the supply's own protection switched off: the unit drew or fed back "
    "more than the instrument allows",
    TripReason.OUTPUT_DROPPED: "the output is off although nobody switched it off: look for an "
    "interlock, a remote inhibit, or a hand on the front panel",
    TripReason.CONTACT_OPEN: "the contact in the feed is open where it was told to close: look "
    "for an emergency stop, an interlock, or a coil without its supply",
    TripReason.CONTACT_WELDED: "THE CONTACT IN THE FEED DOES NOT OPEN: take it for welded, pull "
    "the plug of the source before you touch anything, and replace the contactor or relay before "
    "the next run",
    TripReason.RELAY_OPEN: "the relay at the enable input is open where it was told to close: look "
    "for a coil without its supply, or a channel of the relay card that is another",
    TripReason.RELAY_WELDED: "THE RELAY AT THE ENABLE INPUT DOES NOT OPEN: it pulls that still, "
    "so take its leads off with power off, and replace it before the next run",
    TripReason.OUT_OF_STEP: "an instrument gave an answer that belongs to another question, or is "
    "another one by now: its readings cannot be believed; switch it off and on, and see that no "
    "other program talks to it",
    TripReason.CLIENT_SILENT: "the program that led the run fell silent, so power was cut",
    TripReason.KEEPER_LOST: "the process that watches over power is gone, so the supply was opened "
    "again and switched off: look for what ended it",
    TripReason.UNWATCHED: "for so long nobody watched over power: the computer slept, or the "
    "program was stopped or got no time to run; disable sleep, end what else runs, and look at the "
    "unit before it is powered again",
    TripReason.NO_ANSWER: "nobody answered a question that is asked with power on: a unit is not "
    "kept energised where nobody stands by it",
    TripReason.RECORD_LOST: "the record could not be written, and an unrecorded unit is not kept "
    "energised: check the disk",
    TripReason.INTERNAL: "the program met an error of its own: please report it with the record",
    TripReason.STOPPED: "somebody wanted power off, by a key, on the page or by a signal",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trip:
    """One cut of power."""

    reason: TripReason
    detail: str
    time_s: float
    live: bool  #: whether the output was on: if not, nothing was energised and the run is refused

    def __str__(self) -> str:
        return f"{self.reason.value}: {self.detail} ({self.reason.meaning})"


class Tripped(Exception):
    """Power has been cut; raised to whoever was leading the run."""

    def __init__(self, trip: Trip) -> None:
        super().__init__(str(trip))
        self.trip = trip
