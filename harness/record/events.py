"""The kinds of event in ``events.csv``; ``docs/events.md`` says what each means."""

from __future__ import annotations

from enum import StrEnum


class EventKind(StrEnum):
    """What happened; the event's detail says it in full."""

    # the whole
    PLAN = "plan"
    SIMULATED = "simulated"
    # power
    SWITCHING_ON = "switching on"
    POWER_ON = "power on"
    POWER_OFF = "power off"
    TRIP = "trip"
    STOPPED = "stopped"
    SWITCH = "switch"
    CONTACT_FAULT = "contact fault"
    ENABLE = "enable"
    SWITCHING_OFF_AGAIN = "switching off again"
    OFF_MEASURED = "off measured"
    OFF_NOT_MEASURED = "off not measured"
    SLEEP = "sleep"
    DISAGREEMENT = "disagreement"
    WRONG_DIALECT = "wrong dialect"
    # steps
    STEP = "step"
    FEED = "feed"
    TURN = "turn"
    TURNED = "turned"
    LEVEL = "level"
    SETTLED = "settled"
    DISTURBED = "disturbed"
    PROBE = "probe"
    DIP = "dip"
    OFF_TIME = "off time"
    DISCHARGE = "discharge"
    FIGURES = "figures"
    REFUSED = "refused"
    # checks
    CHECK = "check"
    NOT_CHECKED = "not checked"
    NOT_DONE = "not done"
    NO_READING = "no reading"
    BEYOND_RANGE = "beyond range"
    NOT_SHOWN_TO_LIVE = "not shown to live"
    # the operator
    LOOK = "look"
    QUESTION = "question"
    METER = "meter"
    LOAD = "load"
    LEADS = "leads"
    RESIDUAL = "residual"
    ANSWER = "answer"
    AGREED = "agreed"
