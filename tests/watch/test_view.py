from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import harness
from harness.record.csv_text import printable
from harness.record.events import EventKind
from harness.record.figures import figures_detail, known_detail
from harness.report.figures import figures_summary, rows_of_all
from harness.report.wording import found_text, headline, output_text, wanted_text
from harness.watch.fold import Fold, Output
from harness.watch.tail import Tail
from harness.watch.view import View, duration, hold_time, steady, view_of
from tests.record.test_figures import KNOWN, TOLD
from tests.watch.conftest import Replay

PLAN = {
    "serial": "HRW-0007",
    "title": "Mount controller board",
    "rehearsal": False,
    "begun_utc": "2026-11-25T08:00:00Z",
    "envelope": {"voltage_v": 26.4, "current_a": 1.5, "power_w": 36.0},
    "steps": [
        {
            "name": "start",
            "kind": "start",
            "levels": [
                {
                    "label": label,
                    "voltage_v": volts,
                    "current_limit_a": 0.3,
                    "dwell_s": 10.0,
                    "load": "",
                    "allowance": True,
                }
                for label, volts in (("75 %", 18.0), ("100 %", 24.0))
            ],
            "restart": [],
            "checks": ["5 V rail"],
        }
    ],
}


BY_HAND: dict[str, object] = {"fed_by": "power_meter"}


def folded(*events: tuple[float, str, str], plan: dict[str, object] = PLAN) -> Fold:
    """Return a fold of the plan and events: time, kind and detail."""
    fold = Fold()
    fold.event(0.0, "plan", "", json.dumps(plan))
    for time_s, kind, detail in events:
        fold.event(time_s, kind, "start", detail)
    return fold


ENTERED = (
    (1.0, "step", "start"),
    (1.0, "level", "75 %: 18 V, limit 300 mA, hold 10 s"),
    (1.1, "switching on", ""),
    (1.2, "power on", ""),
)


def read(fold: Fold, time_s: float, source: str, unit: str, **values: float) -> None:
    """Have a fold take readings in."""
    for name, value in values.items():
        fold.reading(time_s, source, name, value, unit)


class TestPower:
    def test_it_is_on_from_before_output_on_is_sent_until_off_is_confirmed(
        self, record: Callable[..., Path], replay: Replay
    ) -> None:
        """At no row of a real journal is power said to be off where it may be on."""
        folder = record("dome-shutter-power-unit")
        events = harness.record.load(folder).events
        on_s = events.loc[events["kind"] == "power on", "time_s"].iloc[0]
        off_s = events.loc[events["kind"] == "power off", "time_s"].iloc[-1]
        seen = [(time_s, view_of(fold, time_s)) for fold, time_s in replay(folder)]

        assert {view.power for time_s, view in seen if on_s <= time_s < off_s} == {"on"}
        assert {view.power for time_s, view in seen if time_s < on_s - 0.1} == {"off"}
        assert seen[-1][1].power == "off"

    def test_it_counts_as_on_before_it_is_sent(self) -> None:
        """From the row before output on is sent, and not only once it is confirmed, power is on."""
        assert view_of(folded(*ENTERED[:3]), 1.15).power_words == "POWER ON"
        assert view_of(folded(*ENTERED[:2]), 1.05).power_words == "OUTPUT OFF"

    def test_words(self) -> None:
        """Power is said in capitals: on, off with the time it was confirmed, or cut the mains."""
        fold = folded(*ENTERED)
        assert view_of(fold, 2.0).power_words == "POWER ON"
        fold.event(3.0, "power off", "start", "unconfirmed")
        assert view_of(fold, 3.0).power_words == "CUT THE MAINS OF THE SUPPLY NOW"
        fold.event(4.0, "power off", "start", "confirmed")
        assert view_of(fold, 4.0).power_words.startswith("OUTPUT OFF, CONFIRMED ")

    def test_a_rehearsal_is_said_to_be_one(self, record: Callable[..., Path]) -> None:
        """What is simulated is said to be, with every word about power."""
        tail = Tail(record())
        tail.catch_up()

        assert view_of(tail.fold, 0.0).power_words.startswith("SIMULATED OUTPUT OFF, CONFIRMED")

    def test_no_figure_stays_when_power_is_off(self) -> None:
        """After power off no reading from before it is shown, nor one that comes late."""
        fold = folded(*ENTERED)
        read(fold, 1.5, "supply", "V", voltage=18.0)
        fold.event(2.0, "power off", "start", "confirmed")
        read(fold, 1.9, "supply", "V", voltage=18.0)

        assert [gauge.value for gauge in view_of(fold, 3.0).gauges] == [None, None, None]


class TestWhatHappens:
    def test_leads_that_were_moved_leave_no_figure(self) -> None:
        """What the meter read where it was before is no longer shown."""
        fold = folded((1.0, "step", "start"))
        read(fold, 1.5, "meter", "ohm", resistance=1250.0)
        assert view_of(fold, 1.6).others == (("meter resistance", "1.25 kohm"),)
        fold.event(2.0, "meter", "start", "connected across the output")

        assert view_of(fold, 2.1).others == ()

    def test_a_level_is_charged_with_the_keepers_account(self) -> None:
        """While a level is entered: to how many volts, what is explained, what is used of it."""
        fold = folded(*ENTERED)
        read(fold, 1.3, "keeper", "C", taken=0.68e-3, explained=0.61e-3, allowed=0.2e-3)
        view = view_of(fold, 1.4)

        assert (view.step, view.level) == ("step 1 of 1, start", "75 %")
        assert view.doing == "filling the capacitors, to 18 V"
        assert view.why == "610 of 680 uC explained; 35 % of 200 uC used"
        assert view.allowance_frac == pytest.approx(0.35)

    def test_a_hold_says_how_long_it_was_and_will_be(self) -> None:
        """A held level has time held and left; what comes counts into the time to come."""
        view = view_of(folded(*ENTERED, (2.0, "settled", "75 % after 0.9 s")), 5.0)

        assert view.doing == "holding 18 V"
        assert view.held_text == "held 3 s of 10 s, 7 s left"
        assert view.held_frac == pytest.approx(0.3)
        assert view.left_text == "holds to come 17 s"

    def test_a_disturbed_hold_begins_again(self) -> None:
        """A disturbed hold has held nothing, until its readings rest again."""
        disturbed = (*ENTERED, (2.0, "settled", "75 %"), (4.0, "disturbed", "75 %: it jumped"))
        view = view_of(folded(*disturbed), 5.0)
        assert (view.doing, view.why) == ("waiting for rest 18 V", "75 %: it jumped")
        assert view.held_frac == 0.0

        view = view_of(folded(*disturbed, (6.0, "settled", "75 % again")), 7.0)
        assert view.held_text == "held 1 s of 10 s, 9 s left"

    def test_limits_stand_beside_figures(self) -> None:
        """Each figure has what is set or its limit, and the envelope."""
        fold = folded(*ENTERED)
        read(fold, 1.5, "supply", "V", voltage=17.98)
        read(fold, 1.5, "supply", "A", current=0.0279)
        volts, amperes, watts = view_of(fold, 1.6).gauges

        assert (volts.text, volts.limit_text, volts.bound_text) == ("17.98 V", "18 V", "26.4 V")
        assert (amperes.text, amperes.limit_text) == ("27.9 mA", "300 mA")
        assert (watts.text, watts.limit, watts.bound_text) == ("-", None, "36 W")

    def test_an_old_reading_has_its_age(self) -> None:
        """A reading that is not new is told with its age, so that nobody takes it for now."""
        fold = folded(*ENTERED)
        read(fold, 2.0, "supply", "V", voltage=18.0)

        assert view_of(fold, 3.0).age_text == ""
        assert view_of(fold, 14.0).age_text == "read 12 s ago"

    def test_a_question_stands_until_it_is_answered(self) -> None:
        """What the operator is asked is seen until something else happens."""
        fold = folded((1.0, "question", "Is the fan on?"))
        assert view_of(fold, 1.0).question == "Is the fan on?"
        fold.event(2.0, "answer", "cold", "fan: yes")
        assert view_of(fold, 2.0).question == ""

    def test_a_hand_is_told_what_to_turn_to(self) -> None:
        """In capitals, with the span that counts as there, until it is there."""
        fold = folded(
            *ENTERED,
            (2.0, "turn", "to 18 V: between 17 V and 19 V, at most 4 V in a second"),
            plan=PLAN | BY_HAND,
        )
        read(fold, 2.1, "power_meter", "V", voltage=9.0)
        view = view_of(fold, 2.1)
        assert (view.power, view.doing) == ("on", "TURN TO 18 V")
        assert view.why == "between 17 V and 19 V, at most 4 V in a second"
        assert view.gauges[0].text == "9.00 V"
        assert view.others == ()
        fold.event(3.0, "turned", "start", "17.8 V: stop turning")
        assert view_of(fold, 3.0).doing == "STOP TURNING"

    def test_a_trip_says_why(self, record: Callable[..., Path]) -> None:
        """A run that was cut has the trip's reason, and its report's words."""
        folder = record("dome-shutter-power-unit", "shorted-varistor")
        tail = Tail(folder)
        tail.catch_up()
        view = view_of(tail.fold, 0.0)
        reason = harness.record.load(folder).run["trip"]

        assert view.trip.startswith(f"{reason}: ")
        assert view.ending is not None
        assert view.ending.mark == "fail"
        assert view.ending.reason == view.trip

    def test_every_kind_of_event_is_taken(self) -> None:
        """No kind of event is an error to whoever watches, whatever its detail."""
        for kind in EventKind:
            view_of(folded(*ENTERED, (2.0, kind, "x: y (z)")), 3.0)


class TestSameWords:
    @pytest.mark.parametrize("fault", [None, "shorted-varistor"])
    def test_as_the_report(self, record: Callable[..., Path], fault: str | None) -> None:
        """The end, each check and each figure are in the words of the report."""
        folder = record("dome-shutter-power-unit", fault)
        tail = Tail(folder)
        tail.catch_up()
        view, known = view_of(tail.fold, 0.0), harness.record.load(folder)
        assert view.ending is not None
        rows = known.checks.astype(object).where(pd.notna(known.checks), None)

        assert (view.ending.word, view.ending.beneath) == headline(known.run)
        assert view.ending.output == output_text(known.run) == view.power_words
        assert [(c.step, c.name, c.verdict, c.found, c.wanted) for c in view.checks] == [
            (
                row.step,
                row.check,
                row.verdict,
                found_text(row.quantity, row.value, row.uncertainty, row.unit),
                wanted_text(row.quantity, row.low, row.high, row.unit),
            )
            for row in rows.itertuples()
        ]

    def test_the_plan_goes_from_ahead_to_done(
        self, record: Callable[..., Path], replay: Replay
    ) -> None:
        """Each level is ahead, then now, then done, and one at most is now."""
        before: list[str] = []
        for fold, time_s in replay(record()):
            states = [level.state for step in view_of(fold, time_s).plan for level in step.levels]
            assert states == sorted(states, key=["done", "now", "ahead"].index)
            assert states.count("now") <= 1
            assert all(
                ["ahead", "now", "done"].index(new) >= ["ahead", "now", "done"].index(old)
                for old, new in zip(before, states, strict=False)
            )
            before = states
        assert set(before[:-1]) == {"done"}


HOSTILE = "\x1b[2J\u202e<script>alert(1)</script>\n\x07"


def texts(value: object) -> list[str]:
    """Return every text in a view."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, tuple):
        return [text for each in value for text in texts(each)]
    slots = getattr(type(value), "__slots__", ())
    return [text for name in slots for text in texts(getattr(value, name))]


class TestHostile:
    def test_what_does_not_print_gets_no_further(self) -> None:
        """No control character and nothing that turns text round is in any text of a view."""
        plan = json.loads(json.dumps(PLAN))
        plan |= {"serial": HOSTILE, "title": HOSTILE, "cannot_release": HOSTILE}
        plan["steps"][0]["name"] = HOSTILE
        plan["steps"][0]["levels"][0]["label"] = HOSTILE
        plan["steps"][0]["checks"] = [HOSTILE]
        fold = folded(plan=plan)
        fold.event(1.0, "step", HOSTILE, "start")
        fold.event(1.0, "level", HOSTILE, f"{HOSTILE}: 18 V")
        fold.event(1.0, "check", HOSTILE, f"{HOSTILE}: pass, 1 V (none)")
        fold.event(1.0, HOSTILE, HOSTILE, HOSTILE)
        fold.reading(1.0, "meter", HOSTILE, 1.0, "V")
        fold.event(1.0, "question", HOSTILE, HOSTILE)
        view = view_of(fold, 1.0)

        assert view.level == printable(HOSTILE)
        assert [text for text in texts(view) if not text.isprintable()] == []

    @given(
        kind=st.sampled_from([*EventKind]),
        detail=st.text(max_size=40)
        | st.sampled_from(['{"steps": []}', '{"steps": [{}], "begun_utc": 1}', "[]", "null"]),
        value=st.floats(),
    )
    def test_a_row_of_somebody_else_is_passed_over(
        self, kind: str, detail: str, value: float
    ) -> None:
        """Whatever stands in a journal, there is a view of it, and JSON can carry that."""
        fold = folded(*ENTERED)
        fold.event(2.0, kind, "start", detail)
        for name in ("taken", "explained", "allowed"):
            fold.reading(2.0, "keeper", name, value, "C")
        fold.reading(2.0, "supply", "voltage", value, "V")
        view = view_of(fold, 3.0)

        assert isinstance(view, View)
        json.dumps([gauge.value for gauge in view.gauges] + [view.allowance_frac], allow_nan=False)

    def test_an_unknown_output_is_no_off(self) -> None:
        """A power-off that is not said to be confirmed counts as not confirmed."""
        fold = folded(*ENTERED, (2.0, "power off", "perhaps"))

        assert fold.output is Output.UNCONFIRMED


class TestFigures:
    @pytest.mark.parametrize(
        ("time_s", "text"),
        [
            (-1.0, "0 s"),
            (0.4, "0 s"),
            (119.0, "119 s"),
            (121.0, "2 min 1 s"),
            (7500.0, "2 h 5 min"),
        ],
    )
    def test_durations(self, time_s: float, text: str) -> None:
        """Times are told as people say them."""
        assert duration(time_s) == text

    @pytest.mark.parametrize(
        ("time_s", "text"),
        [
            (0.0, "0 s"),
            (0.1, "0.1 s"),
            (0.3, "0.3 s"),
            (0.5, "0.5 s"),
            (1.0, "1 s"),
            (90.0, "90 s"),
        ],
    )
    def test_a_brief_hold_is_told_to_a_tenth(self, time_s: float, text: str) -> None:
        """One of 0.3 s is not 0 s."""
        assert hold_time(time_s) == text

    @pytest.mark.parametrize(
        ("value", "most", "unit", "text"),
        [
            (12.0, 26.4, "V", "12.00 V"),
            (0.3, 26.4, "V", "0.30 V"),
            (0.0279, 0.3, "A", "27.9 mA"),
            (-0.0002, 0.3, "A", "-0.2 mA"),
            (119.98, 132.0, "V", "120.0 V"),
        ],
    )
    def test_a_changing_figure_keeps_its_place(
        self, value: float, most: float, unit: str, text: str
    ) -> None:
        """A figure keeps unit and decimals while it changes."""
        assert steady(value, most, unit) == text


class TestToldOfTheUnit:
    def test_the_view_has_what_the_start_told(self) -> None:
        """Figures of the unit stand beside what the plan says was known of it before."""
        plan = PLAN | {"known": known_detail(KNOWN)}
        told = (2.0, "figures", figures_detail(TOLD))
        view = view_of(folded(*ENTERED, told, plan=plan), 3.0)

        assert view.figures == tuple(rows_of_all([TOLD], KNOWN))
        assert view.news[-1].words == f"figures {figures_summary(TOLD)}"

    def test_a_row_of_anybody_tells_nothing(self) -> None:
        """An event that is no figures of this program leaves the view as it was."""
        for detail in ("", "{}", "[1]", '{"of": "start"}'):
            row = (2.0, "figures", detail)
            assert view_of(folded(*ENTERED, row), 3.0).figures == ()


class TestOthers:
    def test_what_was_read_in_the_step_before_is_shown_no_more(self) -> None:
        """A meter's last reading stands beside what a load reads now: it is of another output."""
        fold = folded(*ENTERED)
        fold.reading(1.3, "supply", "voltage", 18.0, "V")
        fold.reading(1.3, "meter", "voltage_dc", 5e-4, "V")
        fold.event(1.4, "step", "held", "load")

        assert list(fold.readings) == ["supply.voltage"]
