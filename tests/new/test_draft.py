"""Drafts load, plan and rehearse whatever sensible unit they are made for."""

from __future__ import annotations

import datetime as dt
import re
import tomllib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import HealthCheck, Phase, example, given, settings
from hypothesis import strategies as st

from harness.api import plan_for, rehearse_profile, simulated_bench_file
from harness.bench.dialect import bench_dialects
from harness.new.drafts import (
    Nameplate,
    draft_bench,
    draft_profile,
    draft_unit,
    profile_draft,
    rounded_down,
    unit_of,
)
from harness.profile.load import load_bench, load_profile
from harness.profile.preflight import preflight
from harness.unit.assess import assess
from harness.unit.nameplate import Unit
from harness.unit.unit_file import load_unit
from tests.units import CHARGER

TODAY = dt.date(2026, 11, 25)

#: A file is written for each example, and a rehearsal takes its time: few, and none made smaller.
MODEST = settings(
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)

#: One line as a keyboard gives it, quotes and backslashes included; no blank line.
TITLES = st.text(
    st.characters(codec="utf-8", exclude_categories=("C", "Z")), min_size=1, max_size=60
)

BOARD = Nameplate(
    title="Mount controller board",
    kind="dc",
    nominal_v=24.0,
    tolerance_frac=0.1,
    current_a=1.2,
    bulk_capacitance_f=470e-6,
    idle_power_w=0.6,
    start_threshold_v=8.0,
    output_v=5.0,
    output_a=2.0,
    protection_class="III",
)
SHUTTER = Nameplate(
    title="Dome-shutter power unit",
    kind="ac",
    nominal_v=120.0,
    tolerance_frac=0.1,
    current_a=1.2,
    frequency_hz=(60.0, 50.0),
    bulk_capacitance_f=150e-6,
    idle_power_w=2.0,
    start_threshold_v=55.0,
    output_v=24.0,
    output_a=2.5,
    protection_class="II",
)
#: Nobody knows where it begins to work: there its converter pulls a low limit's supply down.
LARGE_BULK = replace(
    BOARD,
    nominal_v=48.0,
    current_a=2.75,
    bulk_capacitance_f=3143e-6,
    idle_power_w=3.217,
    start_threshold_v=None,
    output_v=12.0,
    output_a=8.8,
)


@st.composite
def nameplates(draw: st.DrawFn) -> Nameplate:
    """Draw a unit as it may come to a bench: from a 5 W board to a 500 W power unit."""
    of = draw(st.sampled_from(("dc", "ac")))
    voltages_v = (12.0, 24.0, 28.0, 48.0) if of == "dc" else (100.0, 120.0, 230.0)
    nominal_v = draw(st.sampled_from(voltages_v))
    # What the simulated benches have: 10 A of DC, a load of 150 W. A DC unit below some 15 W fills
    # between two of their readings, and the budget of charge is then a matter of luck.
    power_w = draw(st.floats(15.0 if of == "dc" else 2.0, min(7.0 * nominal_v, 150.0)))
    output_v = draw(st.sampled_from((3.3, 5.0, 12.0, 24.0)))
    # 400 uF an ampere for DC, some 15 % ripple for AC: as much as units of this size have.
    usual_f = 400e-6 * power_w / nominal_v if of == "dc" else 0.033 * power_w / nominal_v**2
    return Nameplate(
        title=draw(TITLES),
        kind=of,  # type: ignore[arg-type]
        nominal_v=nominal_v,
        tolerance_frac=draw(st.floats(0.02, 0.2)),
        current_a=power_w / nominal_v / (1.0 if of == "dc" else 0.6),
        frequency_hz=() if of == "dc" else draw(st.sampled_from(((50.0,), (60.0,), (50.0, 60.0)))),
        bulk_capacitance_f=draw(st.none() | st.floats(1.0, 3.0).map(lambda n: n * usual_f)),
        idle_power_w=draw(st.none() | st.floats(0.01, 0.08).map(lambda share: share * power_w)),
        start_threshold_v=draw(st.none() | st.floats(0.3, 0.7).map(lambda s: s * nominal_v)),
        output_v=output_v,
        output_a=min(0.8 * power_w / output_v, 9.0),
        protection_class=draw(st.sampled_from(("I", "II", "III"))),
    )


@st.composite
def answers(draw: st.DrawFn) -> dict[str, Any]:
    """Draw answers: any DC supply from quick to slow, and the AC source that is simulated."""
    nameplate = draw(nameplates())
    return {
        "nameplate": nameplate,
        "sample_s": draw(st.floats(0.001, 0.1)) if nameplate.kind == "dc" else 0.05,
        "load": draw(st.booleans()),
    }


def fitting_bench(unit: Unit) -> str:
    """Return a bench, drafted too, whose supply gives what the unit's envelope needs."""
    return draft_bench(
        {
            "name": "Dome workshop, bench 2",
            "visa": "@py",
            "kind": unit.input.kind,
            "supply": "TCPIP0::192.0.2.10::5025::SOCKET",
            "voltage_v": 1.5 * unit.input.nominal_v,
            "current_a": 2.0 * unit.input.current_a,
            "identity": None,
            "voltage_accuracy": None,
            "current_accuracy": None,
            "calibration_due": None,
            "meter": "TCPIP0::192.0.2.11::5025::SOCKET",
            "load": "TCPIP0::192.0.2.12::5025::SOCKET",
        }
    )


class TestProfile:
    @example(drafted={"nameplate": BOARD, "sample_s": 0.001})
    @example(drafted={"nameplate": SHUTTER, "sample_s": 0.05, "load": True})
    @given(drafted=answers())
    @settings(MODEST, max_examples=30)
    def test_every_draft_plans_without_a_word_against_it(
        self, written: Callable[[str], str], drafted: dict[str, Any]
    ) -> None:
        """A draft loads, and on a fitting bench pre-flight finds no reason against the run."""
        profile = load_profile(written(draft_profile(**drafted)))
        bench = load_bench(written(fitting_bench(profile.unit)))

        assert profile.title == drafted["nameplate"].title
        for plan in (plan_for(profile), plan_for(profile, bench)):
            assert not [note for note in plan.notes if "will not get past" in note]
        assert preflight(plan, today=TODAY).reasons == ()

    @pytest.mark.parametrize("nameplate", [BOARD, SHUTTER])
    def test_a_draft_is_a_pre_check_and_says_so(
        self, nameplate: Nameplate, written: Callable[[str], str]
    ) -> None:
        """It has neither cold checks nor corners of the line: no run of it releases a unit."""
        profile = load_profile(written(draft_profile(nameplate, sample_s=0.05, load=True)))

        assert profile.purpose == "pre-check"
        assert "As drafted: a pre-check" in profile.text

    @example(drafted={"nameplate": BOARD, "sample_s": 0.001})
    @example(drafted={"nameplate": SHUTTER, "sample_s": 0.05, "load": True})
    @example(drafted={"nameplate": LARGE_BULK, "sample_s": 0.078})
    @given(drafted=answers())
    @settings(MODEST, max_examples=10, derandomize=True)  # a sample, the same each time
    def test_a_healthy_unit_comes_through(
        self, written: Callable[[str], str], drafted: dict[str, Any]
    ) -> None:
        """A rehearsal of the healthy unit completes with the draft as it stands."""
        result = rehearse_profile(load_profile(written(draft_profile(**drafted))))

        assert result.outcome == "completed", result.reason

    def test_what_nobody_knows_stands_there_to_be_completed(
        self, written: Callable[[str], str]
    ) -> None:
        """A figure that was not given is a comment; without its mark it counts."""
        text = draft_profile(replace(SHUTTER, bulk_capacitance_f=None), sample_s=0.05)
        completed = text.replace("# bulk_capacitance", "bulk_capacitance")

        assert load_profile(written(text)).unit.input.bulk_capacitance_f is None
        assert load_profile(written(completed)).unit.input.bulk_capacitance_f == 470e-6

    @pytest.mark.parametrize(
        ("nameplate", "kinds"),
        [
            (BOARD, ["cold", "start", "nominal"]),
            (SHUTTER, ["cold", "start", "nominal", "discharge"]),
            (replace(SHUTTER, protection_class="III"), ["cold", "start", "nominal", "discharge"]),
        ],
        ids=["dc", "ac", "ac, class III"],
    )
    def test_steps_that_are_commented_out_can_be_used(
        self, written: Callable[[str], str], nameplate: Nameplate, kinds: list[str]
    ) -> None:
        """The steps that stand there as comments load, plan and rehearse once they are none."""
        text = draft_profile(nameplate, sample_s=0.05)
        keys = r"^# (?=\[\[|(?:kind|name|measure|ask|across|low|limit|below|within) +=)"
        profile = load_profile(written(re.sub(keys, "", text, flags=re.MULTILINE)))

        assert [step.kind for step in profile.steps] == kinds
        assert rehearse_profile(profile).outcome == "completed"

    def test_a_unit_without_an_output_has_no_checks_of_one(
        self, written: Callable[[str], str]
    ) -> None:
        """Without an output the draft asks nothing of a meter, and has no load step."""
        bare = replace(BOARD, output_v=None, output_a=None)
        text = draft_profile(bare, sample_s=0.01, load=True)
        profile = load_profile(written(text))

        assert [step.kind for step in profile.steps] == ["start", "nominal"]
        assert {check.measure for step in profile.steps for check in step.checks} == {
            "supply.power"
        }

    @pytest.mark.parametrize("nameplate", [BOARD, SHUTTER], ids=["dc", "ac"])
    def test_each_line_fits_a_page(self, nameplate: Nameplate) -> None:
        """No line of a draft is longer than a line of source may be."""
        text = draft_profile(nameplate, sample_s=0.05, load=True)

        assert max(map(len, text.splitlines())) <= 100


def _addresses_differ(answers: dict[str, Any]) -> bool:
    """Whether no two roles have one address, which a bench file must not say."""
    given = [answers[role] for role in ("supply", "meter", "load") if answers[role]]
    return len({address.strip().casefold() for address in given}) == len(given)


class TestBench:
    @given(
        answers=st.fixed_dictionaries(
            {
                "name": TITLES,
                "visa": st.sampled_from(("", "@py")),
                "kind": st.sampled_from(("dc", "ac")),
                "supply": TITLES,
                "voltage_v": st.floats(1.0, 1000.0),
                "current_a": st.floats(0.01, 100.0),
                "identity": st.none() | TITLES,
                "voltage_accuracy": st.none() | st.just("0.05 % + 10 mV"),
                "current_accuracy": st.none() | st.just("0.2 % + 2 mA"),
                "calibration_due": st.none() | st.dates(min_value=TODAY),
                "meter": st.none() | TITLES,
                "load": st.none() | TITLES,
            }
        ).filter(_addresses_differ)
    )
    @settings(MODEST, max_examples=30)
    def test_every_draft_loads(
        self, written: Callable[[str], str], answers: dict[str, Any]
    ) -> None:
        """A draft loads and says what was answered, the dialects of its roles included."""
        bench = load_bench(written(draft_bench(answers)))

        assert set(bench_dialects(bench)) == {
            "supply",
            *(["meter"] if answers["meter"] else []),
            *(["load"] if answers["load"] else []),
        }
        assert bench.supply.resource == answers["supply"]
        assert bench.supply.range.voltage_v == pytest.approx(answers["voltage_v"], rel=1e-3)
        assert bench.supply.calibration_due == answers["calibration_due"]


class TestUnit:
    @given(
        nameplate=nameplates(),
        story=st.fixed_dictionaries(
            {
                "event_v": st.floats(1.0, 500.0),
                "event_kind": st.sampled_from(("dc", "ac")),
                "opened": st.sampled_from(("fuse", "breaker", "nothing", "unknown")),
                "note": st.none() | TITLES,
                "varistor_v": st.none() | st.floats(20.0, 400.0),
                "bulk_v": st.none() | st.floats(6.0, 450.0),
            }
        ),
    )
    @settings(MODEST, max_examples=30)
    def test_every_draft_is_assessed(
        self, written: Callable[[str], str], nameplate: Nameplate, story: dict[str, Any]
    ) -> None:
        """A draft loads and is assessed as it stands; it names no replacement that could be bad."""
        answers = {"serial": "HRW-0007", "fuse_a": 2.0, "fuse_v": 250.0, **story}
        file = load_unit(written(draft_unit(nameplate, answers)))

        assert assess(file).acceptable
        assert file.unit == unit_of(nameplate)
        assert len(file.parts) == 1 + (story["varistor_v"] is not None) + (
            story["bulk_v"] is not None and nameplate.bulk_capacitance_f is not None
        )


class TestText:
    @given(value=st.floats(1e-6, 1e6))
    def test_a_bound_is_cut_and_never_rises(self, value: float) -> None:
        """A bound in four digits is not above the value, and within its last digit."""
        assert value * (1 - 1.01e-3) <= rounded_down(value) <= value * (1 + 1e-9)

    @pytest.mark.parametrize(
        "title", ['say "24 V"', "C:\\new", "µ × Ω", "# no comment", "three " + 3 * "'"]
    )
    def test_any_title_survives(self, written: Callable[[str], str], title: str) -> None:
        """Quotes, backslashes and marks in an answer come back as they were typed."""
        text = draft_profile(replace(BOARD, title=title), sample_s=0.01)

        assert load_profile(written(text)).title == title


class TestSlowLevel:
    def test_a_dc_draft_weighs_the_capacitor(self) -> None:
        """With a capacitance on the nameplate the lowest level is slow, and a check is offered."""
        draft = draft_profile(BOARD, sample_s=0.01)
        start = tomllib.loads(draft)["steps"][0]

        assert start["slow_limit"] == "19 mA"
        assert start["current_limit"] == "180 mA"
        assert "reading each 10 ms that is 15 readings" in " ".join(draft.split("\n# "))
        assert '# measure = "start.bulk_capacitance"\n# low     = "376 uF"' in draft

    def test_an_ac_draft_offers_one_that_weighs_the_capacitor(
        self, written: Callable[[str], str]
    ) -> None:
        """Its marks taken off, plan and rehearsal know the capacitor well enough for the check."""
        draft = draft_profile(SHUTTER, sample_s=0.052)
        offered = re.compile(r"# slow_limit.*|(?:# .*\n)*# measure = .start\.bulk.*\n# low.*")
        used = offered.sub(lambda found: re.sub(r"(?m)^# (?=\S+ +=|\[)", "", found[0]), draft)
        profile = load_profile(written(used))
        [planned] = plan_for(profile, simulated_bench_file(profile)).forecasts

        assert planned.good_enough
        assert rehearse_profile(profile).verdict == "pass"

    def test_without_a_capacitance_there_is_none(self) -> None:
        """What nobody can weigh needs no slow level."""
        draft = draft_profile(replace(BOARD, bulk_capacitance_f=None), sample_s=0.01)

        assert "slow_limit" not in draft
        assert "bulk_capacitance" in draft


class TestOfCharger:
    @pytest.mark.parametrize("load", [False, True])
    def test_a_charger_is_drafted_as_one(self, written: Callable[[str], str], load: bool) -> None:
        """Nothing without a battery, the current of the charge, its end, and what it draws back."""
        nameplate = CHARGER[CHARGER.index("[unit]") : CHARGER.index("[envelope]")]
        text = profile_draft("Lamp battery charger", nameplate, sample_s=0.05, load=load)
        profile = load_profile(written(text))
        checks = {check.name for step in profile.steps for check in step.checks}

        assert [step.kind for step in profile.steps] == [
            *("start", "nominal"),
            *(["load"] if load else []),
            *("soak", "drain"),
        ]
        assert {"nothing without a battery", "charge has ended", "reverse leakage"} <= checks
        assert ("current of the charge" in checks) is load
        assert not {"output voltage", "output ripple", "load regulation"} & checks
