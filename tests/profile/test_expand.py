from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.profile.allowance import InrushAllowance
from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.level import Level
from harness.profile.load import load_profile
from harness.profile.plan import Plan
from harness.profile.preflight import preflight
from harness.profile.schema import Profile

ProfileOf = Callable[..., Profile]
BenchOf = Callable[..., BenchFile]

AC_SUPPLY = (('kind = "dc" ', 'kind = "ac" '), ('"60 V"', '"300 V"'))


def levels(plan: Plan) -> list[Level]:
    """Return all levels of a plan, in order."""
    return [level for step in plan.steps for level in step.levels]


def budgets(plan: Plan) -> list[InrushAllowance]:
    """Return the budgets of a plan, in order."""
    return [level.budget for level in levels(plan) if level.budget is not None]


class TestStart:
    def test_every_level_is_a_share_of_nominal(self, profile_of: ProfileOf) -> None:
        """Levels are volts under the step's limit, named by their share, and rise from zero."""
        start = make_plan(profile_of("dc")).steps[0]

        assert [level.label for level in start.levels] == ["10 %", "25 %", "50 %", "75 %", "100 %"]
        assert [level.voltage_v for level in start.levels] == [2.4, 6.0, 12.0, 18.0, 24.0]
        assert {level.current_limit_a for level in start.levels} == {0.3}
        assert {level.load_current_a for level in start.levels} == {None}

    def test_each_budget_begins_where_the_last_one_ended(self, profile_of: ProfileOf) -> None:
        """The budgets of a start lie end to end, so that nothing goes unwatched."""
        plan = make_plan(profile_of("dc"))

        assert [(budget.from_v, budget.to_v) for budget in budgets(plan)] == [
            (0.0, 2.4),
            (2.4, 6.0),
            (6.0, 12.0),
            (12.0, 18.0),
            (18.0, 24.0),
        ]

    def test_a_dc_input_is_watched_by_charge(self, profile_of: ProfileOf) -> None:
        """The charges of all levels add up to C V. Source: Q = C V, textbook."""
        found = budgets(make_plan(profile_of("dc")))

        assert {budget.kind for budget in found} == {"charge"}
        assert sum(budget.healthy for budget in found) == pytest.approx(470e-6 * 24)
        assert {budget.window_s for budget in found} == {0.0}

    def test_an_ac_input_is_watched_by_energy(self, profile_of: ProfileOf) -> None:
        """The energies of all levels add up to half C times peak volts squared.

        Source: E = C Vp^2 / 2, textbook; 120 V rms has a peak of 169.71 V.
        """
        found = budgets(make_plan(profile_of("ac")))

        assert {budget.kind for budget in found} == {"energy"}
        assert sum(budget.healthy for budget in found) == pytest.approx(
            0.5 * 150e-6 * 169.71**2, rel=1e-4
        )

    def test_without_capacitance_time_is_bounded(self, profile_of: ProfileOf) -> None:
        """No capacitance, no budget: each start level bounds the time at the limit, and says so."""
        plan = make_plan(profile_of("dc", (', bulk_capacitance = "470 uF"', "")))

        assert budgets(plan) == []
        assert [level.time_at_limit_s for level in plan.steps[0].levels] == [0.5] * 5
        assert plan.notes[0].startswith("No bulk_capacitance on the nameplate")

    def test_the_unit_may_draw_what_its_nameplate_says(self, profile_of: ProfileOf) -> None:
        """Idle power, threshold and leakage of the nameplate go into each budget."""
        for budget in budgets(make_plan(profile_of("ac"))):
            assert (budget.idle_power_w, budget.threshold_v) == (2.0, 55.0)
            assert budget.leakage_a == pytest.approx(0.012)
            assert budget.charge_factor == 2.0

    @given(st.lists(st.integers(1, 10_000), min_size=1, max_size=6, unique=True))
    def test_any_levels_add_up(self, hundredths: list[int]) -> None:
        """Whatever the levels, the budgets add up to what the last level stores."""
        shares = sorted(hundredths)
        profile = Profile.model_validate(
            {
                "title": "any",
                "unit": {
                    "input": {
                        "kind": "dc",
                        "nominal": "24 V",
                        "tolerance": "10 %",
                        "current": "1 A",
                        "bulk_capacitance": "470 uF",
                    },
                    "protection_class": "III",
                },
                "envelope": {"voltage": "26.4 V", "current": "1 A", "power": "24 W"},
                "steps": [
                    {
                        "kind": "start",
                        "levels": [f"{share / 100} %" for share in shares],
                        "current_limit": "0.1 A",
                        "dwell": "1 s",
                    }
                ],
            }
        )
        found = budgets(make_plan(profile))

        assert sum(budget.healthy for budget in found) == pytest.approx(
            470e-6 * 24 * shares[-1] / 10_000
        )
        assert all(budget.healthy > 0 for budget in found)


class TestAccuracy:
    def test_the_supplys_errors_go_into_the_budget(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """Errors of the supply's own readings are allowed for; a fixed part as its share."""
        budget = budgets(make_plan(profile_of("dc"), bench_of()))[1]

        assert budget.current_error_a == 0.005
        assert budget.current_error_frac == 0.002
        assert budget.voltage_error_frac * 6.0 == pytest.approx(0.0005 * 6.0 + 0.01)

    def test_an_averaging_source_sees_no_finer_than_its_window(self, profile_of: ProfileOf) -> None:
        """The dialect's window counts, a period of the mains at least."""
        profile = profile_of("ac")

        assert {budget.window_s for budget in budgets(make_plan(profile, window_s=0.05))} == {0.05}
        assert {budget.window_s for budget in budgets(make_plan(profile))} == {1 / 50}

    def test_the_bench_files_window_goes_first(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """A window in the bench file goes before the dialect's."""
        own = ('identity = "PS-200" ', 'averaging_window = "0.1 s" ')
        plan = make_plan(profile_of("ac"), bench_of(*AC_SUPPLY, own), window_s=0.05)

        assert {budget.window_s for budget in budgets(plan)} == {0.1}


class TestSlack:
    @pytest.mark.parametrize(
        ("kind", "interval_s", "slack"),
        # a tenth of C V, and limit times interval: 0.1 * 1 mF * 10 V + 1 A * 2 ms
        [("charge", 0.002, 1e-3 + 2e-3), ("charge", 0.0, 1e-3), ("energy", 0.0, 5e-3)],
    )
    def test_counts_what_readings_cannot_see(
        self, kind: str, interval_s: float, slack: float
    ) -> None:
        """A tenth of the healthy charge or energy, and what flows between two readings."""
        budget = InrushAllowance(
            kind=kind,
            capacitance_f=1e-3,
            peak_factor=1.0,
            charge_factor=2.0,
            from_v=0.0,
            to_v=10.0,
            idle_power_w=0.0,
            threshold_v=0.0,
            leakage_a=0.0,
        )

        assert budget.slack(1.0, interval_s) == pytest.approx(slack)


class TestAllowance:
    @staticmethod
    def budget(**changes: Any) -> InrushAllowance:
        """Return a budget from 2 V to 6 V for 100 uF and 3 W."""
        keys = {
            "kind": "charge",
            "capacitance_f": 100e-6,
            "peak_factor": 1.0,
            "charge_factor": 2.0,
            "from_v": 2.0,
            "to_v": 6.0,
            "idle_power_w": 3.0,
            "threshold_v": 2.0,
            "leakage_a": 0.0,
        }
        return InrushAllowance(**{**keys, **changes})

    @pytest.mark.parametrize(
        ("changes", "voltage_v", "explained"),
        [
            pytest.param({}, 5.0, 2 * 100e-6 * 3.0, id="twice C V"),
            pytest.param({"beside_f": 470e-6}, 5.0, 670e-6 * 3.0, id="the supply's own beside it"),
            pytest.param({"beside_f": 470e-6}, 1.0, 0.0, id="a voltage that fell explains nothing"),
            pytest.param(
                {"kind": "energy", "peak_factor": 2**0.5, "beside_f": 470e-6},
                5.0,
                2 * 100e-6 * (25.0 - 4.0),
                id="energy: C (V1^2 - V0^2), nothing beside",
            ),
        ],
    )
    def test_the_voltage_gained_explains_what_fills_with_it(
        self, changes: dict[str, Any], voltage_v: float, explained: float
    ) -> None:
        """The bulk capacitor by the charge factor, and what the supply has across its terminals."""
        assert self.budget(**changes).explained(voltage_v) == pytest.approx(explained)

    @pytest.mark.parametrize(
        ("changes", "voltage_v", "idle_a"),
        [
            pytest.param({}, 5.0, 0.6, id="3 W at 5 V"),
            pytest.param(
                {"voltage_error_frac": 0.004}, 5.0, 3 / 4.98, id="the reading is too high"
            ),
            # 0.6 A behind 0.1 ohm leave 4.94 V, behind a diode 4.44 V (Ohm's law, worked)
            pytest.param({"lead_ohm": 0.1}, 5.0, 3 / 4.94, id="leads"),
            pytest.param({"lead_ohm": 0.1, "diode_v": 0.5}, 5.0, 3 / 4.44, id="leads and a diode"),
            pytest.param({"lead_ohm": 10.0}, 5.0, 3 / 2.5, id="half at most"),
        ],
    )
    def test_the_idle_power_draws_more_where_less_arrives(
        self, changes: dict[str, Any], voltage_v: float, idle_a: float
    ) -> None:
        """The converter has what leads, diode and the reading's error leave of the voltage."""
        assert self.budget(**changes).idle_a(voltage_v) == pytest.approx(idle_a)

    def test_a_plan_allows_for_what_no_bench_file_says(self, profile_of: ProfileOf) -> None:
        """470 uF across the supply, 0.1 ohm of leads, half a volt of diode; for AC none of them."""
        of_dc, of_ac = (budgets(make_plan(profile_of(kind)))[0] for kind in ("dc", "ac"))

        assert (of_dc.beside_f, of_dc.lead_ohm, of_dc.diode_v) == (470e-6, 0.1, 0.5)
        assert (of_ac.beside_f, of_ac.lead_ohm, of_ac.diode_v) == (0.0, 0.0, 0.0)

    def test_leads_are_chosen_for_the_current(self, profile_of: ProfileOf) -> None:
        """Leads that drop more than half a volt at the nominal current are not those in use."""
        large = (('current = "1.2 A"', 'current = "20 A"'),)

        assert budgets(make_plan(profile_of("dc", *large)))[0].lead_ohm == pytest.approx(0.025)


class TestNominalAndLoad:
    def test_nominal_is_under_the_envelopes_current(self, profile_of: ProfileOf) -> None:
        """After the start the limit is the envelope's current unless the step says less."""
        less = ('kind = "nominal"', 'kind = "nominal"\ncurrent_limit = "1 A"')

        assert make_plan(profile_of("dc")).steps[1].levels[0].current_limit_a == 1.5
        assert make_plan(profile_of("dc", less)).steps[1].levels[0].current_limit_a == 1.0

    def test_after_a_full_start_nothing_is_left_to_watch(self, profile_of: ProfileOf) -> None:
        """Nominal after a start to 100 % has no budget: no voltage is gained."""
        level = make_plan(profile_of("dc")).steps[1].levels[0]

        assert (level.budget, level.time_at_limit_s) == (None, None)

    def test_the_rest_of_a_short_start_is_watched_too(self, profile_of: ProfileOf) -> None:
        """Where the start ends below nominal, the nominal step watches the rest, and says so."""
        plan = make_plan(profile_of("dc", (', "100 %"]', "]")))
        budget = plan.steps[1].levels[0].budget

        assert budget is not None
        assert (budget.from_v, budget.to_v, budget.charge_factor) == (18.0, 24.0, 2.0)
        assert plan.notes[0] == (
            "The start ends below nominal: step 2 (nominal) takes the rest under a limit of 1.5 A."
        )

    def test_the_rest_is_timed_where_there_is_no_budget(self, profile_of: ProfileOf) -> None:
        """Without a capacitance the rest of a short start bounds the time at the limit."""
        plan = make_plan(
            profile_of("dc", (', "100 %"]', "]"), (', bulk_capacitance = "470 uF"', ""))
        )

        assert plan.steps[1].levels[0].time_at_limit_s == 0.5

    def test_a_load_step_has_a_level_for_each_point(self, profile_of: ProfileOf) -> None:
        """Load points are levels at nominal voltage, named by their current."""
        load = make_plan(profile_of("ac")).steps[2]

        assert [level.label for level in load.levels] == ["0 A", "1.25 A", "2.5 A"]
        assert [level.load_current_a for level in load.levels] == [0.0, 1.25, 2.5]
        assert {level.voltage_v for level in load.levels} == {120.0}

    def test_the_first_frequency_is_the_usual_one(self, profile_of: ProfileOf) -> None:
        """A step that names no frequency takes the unit's first; a DC unit has none."""
        ac, dc = make_plan(profile_of("ac")), make_plan(profile_of("dc"))

        assert [step.levels[0].frequency_hz for step in ac.steps] == [50.0, 60.0, 50.0]
        assert {level.frequency_hz for level in levels(dc)} == {None}

    def test_time_is_the_sum_of_all_holds(self, profile_of: ProfileOf) -> None:
        """The plan's time is that of its holds."""
        plan = make_plan(profile_of("ac"))

        assert plan.duration_s == math.fsum(level.dwell_s for level in levels(plan)) == 8.0


class TestNames:
    @pytest.mark.parametrize(
        ("titles", "names"),
        [
            (["", ""], ["start", "nominal", "nominal 2", "nominal 3"]),
            (["warm", "warm"], ["start", "nominal", "warm", "warm 2"]),
            (["nominal 2", ""], ["start", "nominal", "nominal 2", "nominal 3"]),
            (["", "nominal 2"], ["start", "nominal", "nominal 3", "nominal 2"]),
        ],
    )
    def test_are_unique(self, profile_of: ProfileOf, titles: list[str], names: list[str]) -> None:
        """Steps of one kind or title are numbered, and never take another step's title."""
        profile = profile_of("dc")
        more = [
            profile.steps[1].model_copy(update={"title": title, "checks": ()}) for title in titles
        ]
        plan = make_plan(profile.model_copy(update={"steps": (*profile.steps, *more)}))

        assert [step.name for step in plan.steps] == names
        assert [step.number for step in plan.steps] == [1, 2, 3, 4]


class TestDropped:
    def test_nothing_falls_away_without_a_bench(self, profile_of: ProfileOf) -> None:
        """A plan for no bench keeps each check."""
        plan = make_plan(profile_of("ac"))

        assert [len(step.checks) for step in plan.steps] == [0, 0, 2]
        assert [step.dropped for step in plan.steps] == [(), (), ()]

    def test_a_check_without_its_instrument_falls_away(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """A bench without a meter makes no check with the meter, and the plan says which."""
        plan = make_plan(profile_of("dc"), bench_of().model_copy(update={"meter": None}))

        assert plan.steps[1].checks == ()
        assert [(check.name, why) for check, why in plan.steps[1].dropped] == [
            ("5 V rail", "this bench has no meter")
        ]
        assert plan.open_points[0].text == (
            "Check '5 V rail' of step 2 (nominal) proves nothing: this bench has no meter."
        )

    def test_a_check_its_dialect_cannot_make_falls_away(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """What a dialect leaves out, the checks that need it lose."""
        supply = frozenset({"measure_voltage", "measure_current"})
        operations = {"supply": supply, "meter": frozenset({"identify"})}
        plan = make_plan(profile_of("dc"), bench_of(), operations=operations)

        assert len(plan.steps[0].checks) == 1
        assert plan.steps[1].dropped[0][1] == (
            "dialect scpi-meter of the meter has no measure_voltage_dc"
        )

    def test_ac_efficiency_needs_real_power(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """A source that cannot measure real power makes no efficiency check."""
        both = frozenset({"measure_voltage", "measure_current"})
        operations = {"supply": both, "load": both, "meter": frozenset({"measure_voltage_dc"})}
        plan = make_plan(profile_of("ac"), bench_of(*AC_SUPPLY), operations=operations)

        assert [check.name for check in plan.steps[2].checks] == ["24 V rail"]
        assert plan.steps[2].dropped[0][1] == (
            "dialect scpi-dc-supply of the supply has no measure_power"
        )


class TestLacking:
    DC = frozenset({"measure_voltage", "measure_current", "set_voltage_protection", "error"})

    def test_an_ac_unit_needs_its_frequency_set(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """A source whose frequency cannot be set is told, and pre-flight refuses it."""
        plan = make_plan(profile_of("ac"), bench_of(*AC_SUPPLY), operations={"supply": self.DC})

        assert plan.objections == (
            "The supply's dialect has no set_frequency: an AC unit needs its frequency set.",
        )
        assert plan.objections[0] in preflight(plan, today=dt.date(2026, 1, 1)).reasons

    def test_a_dc_unit_does_not(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """A DC unit has no frequency to set."""
        plan = make_plan(profile_of("dc"), bench_of(), operations={"supply": self.DC})

        assert plan.objections == ()

    def test_a_supply_without_protection_is_noted(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """Where the supply cannot guard the voltage by itself, the plan says so."""
        operations = {"supply": self.DC - {"set_voltage_protection"}}
        plan = make_plan(profile_of("dc"), bench_of(), operations=operations)

        assert plan.notes[-1] == (
            "The supply's dialect has no set_voltage_protection: the readings alone guard the "
            "envelope's voltage."
        )

    def test_a_supply_without_an_error_queue_is_noted(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """Where nobody can ask what the supply refused, the plan says what falls away."""
        operations = {"supply": self.DC - {"error"}}
        plan = make_plan(profile_of("dc"), bench_of(), operations=operations)

        assert (
            "The supply's dialect asks no error queue: a message that the supply refuses shows "
            "only where its setting is read back."
        ) in plan.notes


class TestNotes:
    @pytest.mark.parametrize(
        ("kind", "limit", "note"),
        [
            # 0.6 W at 12 V, the first level above 7.2 V
            ("dc", "49 mA", "past 50 %: a healthy unit may draw 50 mA there, the limit is 49 mA."),
            # 2 W at 60 V and a power factor of one half
            (
                "ac",
                "60 mA",
                "past 50 %: a healthy unit may draw 66.7 mA there, the limit is 60 mA.",
            ),
        ],
    )
    def test_a_start_that_cannot_succeed_is_said(
        self, profile_of: ProfileOf, kind: str, limit: str, note: str
    ) -> None:
        """A limit below what a healthy unit draws at idle is told before power (safety rule 7)."""
        old = "0.30 A" if kind == "dc" else "0.5 A"
        plan = make_plan(
            profile_of(kind, (f'current_limit = "{old}"', f'current_limit = "{limit}"'))
        )

        assert f"Step 1 (start) will not get {note}" in plan.notes

    def test_what_to_look_at_is_said_beforehand(self) -> None:
        """The plan says what a person looks at under power, and which warmth tells little."""
        notes = make_plan(load_profile("dome-shutter-full-release")).notes

        assert (
            "Step 8 (soak): look on while power is on, hands clear of what is open: Fan runs, and "
            "as much air as usual is felt at the outlet of the closed case? This is asked once "
            "power is off."
        ) in notes
        assert (
            "Step 8 (soak): a temperature after 20 s says little. A unit has warmed up after half "
            "an hour; hold a real one for that long."
        ) in notes
        assert not [note for note in notes if note.startswith("Step 1 (cold): look on")]

    def test_half_an_hour_is_long_enough(self) -> None:
        """A hold of half an hour needs no word on what its temperature tells."""
        profile = load_profile("dome-shutter-full-release")
        steps = tuple(
            step.model_copy(update={"duration_s": 1800.0}) if step.kind == "soak" else step
            for step in profile.steps
        )
        notes = make_plan(profile.model_copy(update={"steps": steps})).notes

        assert not [note for note in notes if "says little" in note]

    def test_assumed_figures_are_said(self, profile_of: ProfileOf) -> None:
        """What the nameplate leaves out and the plan assumes stands in the notes."""
        plan = make_plan(profile_of("dc", (', idle_power = "0.6 W"', "")))

        assert plan.notes == (
            "No start_threshold on the nameplate: taken as 7.2 V.",
            "No idle_power on the nameplate: taken as 2.88 W.",
        )
