from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import replace

import pytest

from harness.errors import Refused
from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.level import LoadPoint
from harness.profile.preflight import Preflight, _beyond, _loaded, preflight, refuse
from harness.profile.schema import Profile

ProfileOf = Callable[..., Profile]
BenchOf = Callable[..., BenchFile]

TODAY = dt.date(2026, 11, 25)
IDENTITIES = {"supply": "Workshop,PS-200,1,1.0", "meter": "Workshop,DM-60,2,1.0", "load": "EL"}
AC_SUPPLY = (
    ('kind = "dc" ', 'kind = "ac" '),
    ('{ voltage = "60 V", current = "10 A" }', '{ voltage = "300 V", current = "8 A" }'),
)


@pytest.fixture
def found(profile_of: ProfileOf, bench_of: BenchOf) -> Callable[..., Preflight]:
    """Return a function from a profile and changes of the bench to what pre-flight finds."""

    def look(kind: str, *changes: tuple[str, str], today: dt.date = TODAY) -> Preflight:
        return preflight(make_plan(profile_of(kind), bench_of(*changes)), today=today)

    return look


class TestRanges:
    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_a_fitting_bench_passes(self, found: Callable[..., Preflight], kind: str) -> None:
        """Nothing speaks against a plan whose bench covers it."""
        assert found(kind, *(AC_SUPPLY if kind == "ac" else ())).reasons == ()

    @pytest.mark.parametrize(
        ("old", "new", "reason"),
        [
            (
                'voltage = "60 V"',
                'voltage = "26 V"',
                "The envelope of 26.4 V is beyond the supply's range of 26 V.",
            ),
            (
                'current = "10 A" }\naccuracy',
                'current = "1 A" }\naccuracy',
                "The envelope of 1.5 A is beyond the supply's range of 1 A.",
            ),
            (
                'current = "10 A" }\naccuracy',
                'current = "10 A", power = "30 W" }\naccuracy',
                "The envelope of 36 W is beyond the supply's range of 30 W.",
            ),
            ('kind = "dc" ', 'kind = "ac" ', "The unit takes DC, the supply gives AC."),
        ],
    )
    def test_the_supply_covers_the_envelope(
        self, found: Callable[..., Preflight], old: str, new: str, reason: str
    ) -> None:
        """A supply of another kind or too small for the envelope refuses the run."""
        assert found("dc", (old, new)).reasons == (reason,)

    def test_a_range_just_at_the_envelope_is_enough(self, found: Callable[..., Preflight]) -> None:
        """A supply that just reaches the envelope is large enough."""
        assert found("dc", ('voltage = "60 V"', 'voltage = "26.4 V"')).reasons == ()

    def test_an_unknown_range_is_no_reason(self, found: Callable[..., Preflight]) -> None:
        """What the bench file does not say is not held against it."""
        assert found("dc", ('range = { voltage = "60 V", current = "10 A" }', "")).reasons == ()

    @pytest.mark.parametrize(
        ("old", "new", "reason"),
        [
            (
                'voltage = "80 V", current = "10 A"',
                'voltage = "80 V", current = "2 A"',
                "The load current of step 3 (load) of 2.5 A is beyond the load's range of 2 A.",
            ),
            (
                'voltage = "80 V", current = "10 A"',
                'voltage = "20 V", current = "10 A"',
                "The output voltage in step 3 (load) of 24 V is beyond the load's range of 20 V.",
            ),
            (
                'power = "100 W"',
                'power = "50 W"',
                "The load power of step 3 (load) of 60 W is beyond the load's range of 50 W.",
            ),
        ],
    )
    def test_the_load_covers_its_points(
        self, found: Callable[..., Preflight], old: str, new: str, reason: str
    ) -> None:
        """A load too small for its load points refuses the run."""
        assert found("ac", *AC_SUPPLY, (old, new)).reasons == (reason,)

    def test_a_load_step_needs_a_load(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """A load step on a bench without a load refuses the run: nothing would be proved."""
        bench = bench_of(*AC_SUPPLY).model_copy(update={"load": None})
        found = preflight(make_plan(profile_of("ac"), bench), today=TODAY)

        assert found.reasons == ("Step 3 (load) needs an electronic load, this bench has none.",)

    def test_more_than_the_nameplate_is_a_warning(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """Loading an output beyond its nameplate on purpose is allowed and said."""
        more = ('"1.25 A", "2.5 A"]', '"2.5 A", "3 A"]\noverload = true')
        limit = ('current = "2.5 A" }', 'current = "2.5 A", limit = "3 A" }')
        profile = profile_of("ac", more, limit)
        found = preflight(make_plan(profile, bench_of(*AC_SUPPLY)), today=TODAY)

        assert "Step 3 (load) loads 3 A, more than the nameplate's 2.5 A." in found.warnings

    def test_no_level_leaves_the_envelope(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """A plan made by a script, past the rules of the file, is held to the envelope as well."""
        profile = profile_of("dc")
        narrow = profile.envelope.model_copy(update={"voltage_v": 20.0, "current_a": 0.2})
        plan = make_plan(profile.model_copy(update={"envelope": narrow}), bench_of())
        reasons = preflight(plan, today=TODAY).reasons

        assert "The voltage in step 1 (start), 100 % is outside the envelope." in reasons
        assert "The current limit in step 1 (start), 10 % is outside the envelope." in reasons

    @pytest.mark.parametrize(
        ("bound", "reason"),
        [
            (
                {"voltage_v": 24.0 / 1.001},
                "The voltage in step 1 (start), 100 % is outside the envelope.",
            ),
            (
                {"current_a": 0.3 / 1.001},
                "The current limit in step 1 (start), 10 % is outside the envelope.",
            ),
        ],
    )
    def test_a_level_a_thousandth_beyond_the_envelope_is_refused(
        self, profile_of: ProfileOf, bench_of: BenchOf, bound: dict[str, float], reason: str
    ) -> None:
        """The envelope is hard: only the rounding of decimal fractions is no reason to refuse."""
        profile = profile_of("dc")
        narrow = profile.envelope.model_copy(update=bound)
        plan = make_plan(profile.model_copy(update={"envelope": narrow}), bench_of())

        assert reason in preflight(plan, today=TODAY).reasons

    def test_a_level_at_the_envelope_is_inside(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """The bound itself may be set, by voltage and by current limit."""
        profile = profile_of("dc")
        tight = profile.envelope.model_copy(update={"voltage_v": 24.0, "current_a": 0.3})
        plan = make_plan(profile.model_copy(update={"envelope": tight}), bench_of())

        assert preflight(plan, today=TODAY).reasons == ()

    def test_every_load_step_is_looked_at(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """Two load steps on a bench without a load are two reasons; each output by its name."""
        profile = profile_of("ac")
        outputs = {
            "main": profile.unit.output["main"],
            "aux": profile.unit.output["main"].model_copy(update={"nominal_v": 90.0}),
        }
        load = profile.steps[-1]
        on_aux = load.model_copy(update={"output": "aux"})
        twice = profile.model_copy(
            update={
                "steps": (*profile.steps, on_aux),
                "unit": profile.unit.model_copy(update={"output": outputs}),
            }
        )
        bench = bench_of(*AC_SUPPLY)
        without = bench.model_copy(update={"load": None})

        assert preflight(make_plan(twice, without), today=TODAY).reasons == (
            "Step 3 (load) needs an electronic load, this bench has none.",
            "Step 4 (load 2) needs an electronic load, this bench has none.",
        )
        assert preflight(make_plan(twice, bench), today=TODAY).reasons == (
            "The output voltage in step 4 (load 2) of 90 V is beyond the load's range of 80 V.",
            "The load power of step 4 (load 2) of 225 W is beyond the load's range of 100 W.",
        )

    @pytest.mark.parametrize(("ohm", "warned"), [("9.6", False), ("6.4", True)])
    def test_a_resistor_that_takes_more_is_a_warning_too(
        self, profile_of: ProfileOf, bench_of: BenchOf, ohm: str, warned: bool
    ) -> None:
        """24 V across 9.6 ohm are the nominal 2.5 A, across 6.4 ohm 3.75 A. Source: Ohm's law."""
        by_hand = (
            'currents = ["0 A", "1.25 A", "2.5 A"]',
            f'load = "resistor {ohm} ohm"\noverload = true',
        )
        limit = ('current = "2.5 A" }', 'current = "2.5 A", limit = "4 A" }')
        efficiency = ('measure = "efficiency"\nat = "2.5 A"', 'measure = "power_factor"')
        low = ('low = "80 %"', "low = 0.4")
        profile = profile_of("ac", by_hand, limit, efficiency, low)
        found = preflight(make_plan(profile, bench_of(*AC_SUPPLY)), today=TODAY)
        said = "Step 3 (load) loads 3.75 A, more than the nameplate's 2.5 A."

        assert (said in found.warnings) is warned

    def test_the_nameplate_s_own_current_is_no_overload(
        self, found: Callable[..., Preflight]
    ) -> None:
        """A load step up to the nameplate's current is not warned of."""
        assert not any("more than the nameplate" in text for text in found("ac").warnings)

    @pytest.mark.parametrize(
        ("old", "new"),
        [
            ('voltage = "60 V"', 'voltage = "26.3 V"'),
            ('current = "10 A" }\naccuracy', 'current = "1.49 A" }\naccuracy'),
            ('current = "10 A" }\naccuracy', 'current = "10 A", power = "35.9 W" }\naccuracy'),
        ],
    )
    def test_a_supply_that_falls_just_short_of_the_envelope_is_refused(
        self, found: Callable[..., Preflight], old: str, new: str
    ) -> None:
        """Half a per cent less than the envelope is beyond the range."""
        (reason,) = found("dc", (old, new)).reasons
        assert "is beyond the supply's range" in reason

    def test_a_plan_without_a_start_is_refused(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """A plan made by a script, past the rules of the file, never goes straight to nominal."""
        profile = profile_of("dc")
        plan = make_plan(profile.model_copy(update={"steps": profile.steps[1:]}), bench_of())

        assert preflight(plan, today=TODAY).reasons == (
            (
                "Step 1 (nominal) would be the first under power: power must first come by a "
                "current-limited start."
            ),
        )

    def test_a_plan_without_a_bench_is_refused(self, profile_of: ProfileOf) -> None:
        """Nothing runs without a bench."""
        found = preflight(make_plan(profile_of("dc")), today=TODAY)

        assert found == Preflight(("There is no bench to run this plan on.",), ())

    @pytest.mark.parametrize(
        ("share", "inside"), [(1.0, True), (1 + 1e-9, True), (1 + 2e-9, False)]
    )
    def test_a_level_may_leave_the_envelope_by_its_rounding_alone(
        self, profile_of: ProfileOf, bench_of: BenchOf, share: float, inside: bool
    ) -> None:
        """One part in a thousand million is rounding, voltage and current limit alike."""
        profile, bench = profile_of("dc"), bench_of()
        plan, envelope = make_plan(profile, bench), profile.envelope
        start = plan.steps[0]
        level = replace(
            start.levels[-1],
            voltage_v=envelope.voltage_v * share,
            current_limit_a=envelope.current_a * share,
        )
        steps = (replace(start, levels=(*start.levels[:-1], level)), *plan.steps[1:])

        reasons = preflight(replace(plan, steps=steps), today=TODAY).reasons

        assert len([reason for reason in reasons if "outside the envelope" in reason]) == (
            0 if inside else 2
        )

    @pytest.mark.parametrize(
        ("points", "largest_a"),
        [
            ((LoadPoint("current", 0.0),), 0.0),
            ((LoadPoint("current", 0.5), LoadPoint("current", 0.25)), 0.5),
            ((LoadPoint("resistance", 12.0), LoadPoint("resistance", 0.0)), 24.0 / 12.0),
            ((LoadPoint("power", 36.0), LoadPoint("power", 0.0)), 36.0 / 24.0),
            ((LoadPoint("voltage", 12.0),), 2.5),  # all that the output gives
        ],
    )
    def test_the_largest_current_of_a_step_is_that_of_its_points(
        self,
        profile_of: ProfileOf,
        bench_of: BenchOf,
        points: tuple[LoadPoint, ...],
        largest_a: float,
    ) -> None:
        """At the 24 V of the output, whatever the mode; a point of nothing draws nothing."""
        plan = make_plan(profile_of("ac"), bench_of(*AC_SUPPLY))
        *before, step = plan.steps
        levels = tuple(replace(step.levels[0], load=point) for point in points)
        plan = replace(plan, steps=(*before, replace(step, levels=levels)))

        assert [found_a for _, _, found_a in _loaded(plan)] == [pytest.approx(largest_a)]

    def test_the_nameplate_s_current_and_its_rounding_is_no_overload(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """2.5 A and a part in a thousand million are not more than the nameplate's 2.5 A."""
        plan = make_plan(profile_of("ac"), bench_of(*AC_SUPPLY))
        *before, step = plan.steps
        for share, warned in ((1 + 1e-9, False), (1 + 2e-9, True)):
            point = LoadPoint("current", 2.5 * share)
            loaded = replace(step, levels=(replace(step.levels[0], load=point),))
            found = preflight(replace(plan, steps=(*before, loaded)), today=TODAY)

            assert any("more than the nameplate" in text for text in found.warnings) is warned

    def test_a_plan_that_powers_nothing_needs_no_start(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """Without a powered step there is none that would have to be a start."""
        plan = replace(make_plan(profile_of("dc"), bench_of()), steps=())

        reasons = preflight(plan, today=TODAY).reasons

        assert not [reason for reason in reasons if "start" in reason]

    def test_a_value_at_the_range_and_its_rounding_is_inside(self) -> None:
        """One part in a thousand million beyond the range is its rounding, two are outside."""
        for value, wrong in ((60.0 * (1 + 1e-9), 0), (60.0 * (1 + 2e-9), 1)):
            assert len(list(_beyond("The envelope", value, "V", 60.0, "supply"))) == wrong


class TestIdentity:
    @pytest.mark.parametrize(
        ("identities", "reasons"),
        [
            (IDENTITIES, ()),
            (
                {**IDENTITIES, "supply": "Workshop,PS-100,1,1.0"},
                (
                    (
                        "The supply (TCPIP0::127.0.0.1::5025::SOCKET) says it is "
                        "'Workshop,PS-100,1,1.0'; the bench file expects 'PS-200' in it."
                    ),
                ),
            ),
            (
                {"supply": IDENTITIES["supply"], "load": "EL"},
                ("The meter (TCPIP0::127.0.0.1::5026::SOCKET) did not say what it is.",),
            ),
        ],
    )
    def test_each_instrument_says_what_it_is(
        self,
        profile_of: ProfileOf,
        bench_of: BenchOf,
        identities: dict[str, str],
        reasons: tuple[str, ...],
    ) -> None:
        """Every instrument answers `*IDN?`, with the text the bench file expects in it."""
        plan = make_plan(profile_of("dc"), bench_of())

        assert preflight(plan, today=TODAY, identities=identities).reasons == reasons


class TestCalibration:
    @pytest.mark.parametrize(
        ("today", "overdue"), [(dt.date(2027, 5, 1), False), (dt.date(2027, 5, 2), True)]
    )
    def test_overdue_is_refused(
        self, found: Callable[..., Preflight], today: dt.date, overdue: bool
    ) -> None:
        """Calibration is good through its day, and refuses the run from the next."""
        reasons = found("dc", today=today).reasons

        assert reasons == (
            (
                (
                    "Calibration of the supply has been overdue since 2027-05-01; have it "
                    "calibrated, "
                    "or say allow_overdue = true in the bench file."
                ),
            )
            if overdue
            else ()
        )

    def test_overdue_is_told_once(self, found: Callable[..., Preflight]) -> None:
        """What refuses the run is no warning beside that."""
        warnings = found("dc", today=dt.date(2027, 5, 2)).warnings

        assert not [warning for warning in warnings if "overdue" in warning]

    def test_overdue_may_be_allowed(self, found: Callable[..., Preflight]) -> None:
        """A bench file that allows it turns the refusal into a warning."""
        allowed = (
            "calibration_due = 2027-05-01",
            "calibration_due = 2026-01-01\nallow_overdue = true",
        )
        result = found("dc", allowed)

        assert result.reasons == ()
        assert result.warnings[0] == (
            "Calibration of the supply has been overdue since 2026-01-01; the bench file allows "
            "it (allow_overdue)."
        )

    def test_a_missing_date_is_a_warning(self, found: Callable[..., Preflight]) -> None:
        """No date is no refusal, but it is said."""
        assert found("dc").warnings == (
            "The bench file gives no calibration date for the meter.",
            "The bench file gives no calibration date for the load.",
        )


class TestAccuracy:
    def test_a_guarded_check_needs_an_accuracy(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """A guarded check on a reading of unknown accuracy is an open point: it proves nothing."""
        bench = bench_of(('accuracy = { voltage_dc = "0.02 % + 2 mV" }', ""))

        assert make_plan(profile_of("dc"), bench).cannot_release == (
            "This run cannot release the unit. Check '5 V rail' of step 2 (nominal) proves "
            "nothing: the bench file gives no accuracy for meter.voltage_dc."
        )

    def test_a_computed_figure_needs_those_it_is_made_of(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """Efficiency needs real input power and output power; the latter follows from V and I."""
        profile = profile_of("ac")
        load = 'power = "100 W" }'
        known = (load, load + '\naccuracy = { voltage = "1 mV", current = "1 mA" }')

        assert make_plan(profile, bench_of(*AC_SUPPLY)).open_points[-1].text == (
            "Check 'efficiency at full load' of step 3 (load) proves nothing: the bench file gives "
            "no accuracy for supply.power, load.power."
        )
        told = make_plan(profile, bench_of(*AC_SUPPLY, known)).open_points[-1].text
        assert told.endswith("no accuracy for supply.power.")

    def test_a_simple_check_needs_one_too(self, profile_of: ProfileOf, bench_of: BenchOf) -> None:
        """A value that nobody knows the error of decides nothing, compared by whichever rule."""
        profile = profile_of("dc", ('rule = "guarded"', 'rule = "simple"'))
        bench = bench_of(('accuracy = { voltage_dc = "0.02 % + 2 mV" }', ""))

        [point] = make_plan(profile, bench).open_points
        assert point.text.endswith("the bench file gives no accuracy for meter.voltage_dc.")

    def test_a_tester_without_one_releases_nothing(
        self, profile_of: ProfileOf, bench_of: BenchOf
    ) -> None:
        """What is read off a tester may be compared as it is, by the simple rule; it is open."""
        asked = (
            '[[steps]]\nkind = "cold"\n[[steps.checks]]\nname = "insulation"\n'
            'measure = "operator.value"\nask = "Insulation?"\nunit = "ohm"\nlow = "2 Mohm"\n'
        )
        start = '[[steps]]\nkind = "start"'
        told = []
        for key in ('rule = "simple"\n', 'accuracy = "5 %"\n'):
            profile = profile_of("dc", (start, asked + key + start))
            told.append([point.text for point in make_plan(profile, bench_of()).open_points])

        why = "nobody gives the accuracy of the tester"
        assert told == [[f"Check 'insulation' of step 1 (cold) proves nothing: {why}."], []]

    @pytest.mark.parametrize(
        ("stated", "needed", "told"),
        [
            ('"2 mV"', "", "meter.voltage_ac: no bandwidth stated"),
            (
                '"2 mV, 20 Hz to 300 kHz"',
                'bandwidth = "20 Hz to 20 MHz"\n',
                ("meter.voltage_ac: read from 20 Hz to 300 kHz, where 20 Hz to 20 MHz is needed"),
            ),
            (
                '{ "1 V" = "2 mV, 20 Hz to 300 kHz", "10 V" = "20 mV" }',
                "",
                "meter.voltage_ac: no bandwidth stated",
            ),
            ('"2 mV, 20 Hz to 300 kHz"', 'bandwidth = "20 Hz to 300 kHz"\n', None),
            ('"2 mV, 20 Hz to 300 kHz"', "", None),
        ],
    )
    def test_a_ripple_needs_a_bandwidth(
        self,
        profile_of: ProfileOf,
        bench_of: BenchOf,
        stated: str,
        needed: str,
        told: str | None,
    ) -> None:
        """What the meter does not take in is told before power."""
        ripple = 'name = "5 V ripple"\nmeasure = "meter.voltage_ac"\nhigh = "20 mV"\n'
        rail = 'name = "5 V rail"\n'
        check = f"{ripple}{needed}[[steps.checks]]\n{rail}"
        known = 'voltage_dc = "0.02 % + 2 mV"'
        bench = bench_of((known, f"{known}, voltage_ac = {stated}"))
        plan = make_plan(profile_of("dc", (rail, check)), bench)

        begin = "Check '5 V ripple' of step 2 (nominal) proves nothing"
        open_points = [] if told is None else [f"{begin}: {told}."]
        assert [point.text for point in plan.open_points] == open_points


class TestRefuse:
    def test_raises_every_reason(self) -> None:
        """A refusal carries all its reasons and ends with exit code 5."""
        with pytest.raises(Refused) as caught:
            refuse(Preflight(("One.", "Two."), ()))

        assert caught.value.reasons == ("One.", "Two.")
        assert caught.value.exit_code == 5

    def test_lets_a_clean_plan_pass(self) -> None:
        """Warnings alone refuse nothing."""
        refuse(Preflight((), ("Mind this.",)))
