"""A source set by hand: its table in a bench file, its lamp, and what a plan makes of it."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.bench.dialect import bench_dialects
from harness.errors import FileError
from harness.profile.bench_file import BenchFile
from harness.profile.hand_set import SeriesLamp
from harness.profile.load import load_bench
from harness.profile.preflight import preflight
from tests.run.hand_bench import HEAD, LOADED, NOMINAL, STARTED, bench_by_hand, planned

METER = """
[power_meter]
resource = "TCPIP0::192.0.2.15::5025::SOCKET"
dialect = "scpi-power-meter"
"""


def mistakes(tmp_path: Path, text: str) -> list[str]:
    """Return what is wrong with a bench file's text."""
    path = tmp_path / "bench.toml"
    path.write_text(f'name = "bench"\n{text}', encoding="utf-8")
    with pytest.raises(FileError) as caught:
        load_bench(path)
    return [line.replace(f"{path}", "bench") for line in str(caught.value).splitlines()]


SUPPLY = '[supply]\nkind = "by hand"\nrange = { voltage = "140 V" }\nfrequency = "60 Hz"\n'


class TestFile:
    def test_no_link_leads_to_it_and_the_power_meter_is_the_keepers(self) -> None:
        """It is no instrument; power meter and switch are in the keeper's hands."""
        bench = bench_by_hand()
        assert "supply" not in bench.instruments
        assert bench.fed_by == "power_meter"
        assert set(bench.kept.instruments) == {"power_meter", "switch"}
        assert bench.kept.by_hand is not None
        assert bench.readers == ("meter",)

    def test_without_a_power_meter_nobody_sees_it(self, tmp_path: Path) -> None:
        """A file without one is refused, and says why."""
        [told] = mistakes(tmp_path, SUPPLY)
        assert told == (
            "bench: power_meter: no link leads to a source set by hand: what it gives is read by a "
            "power meter at the input of the unit, and this bench has none; for example: "
            "[power_meter] with resource and dialect"
        )

    @pytest.mark.parametrize(
        ("line", "problem"),
        [
            ('patience = "1 s"', "supply.patience: expected 2 s to 120 s"),
            (
                'lamp = { voltage = "120 V", power = "0 W" }',
                "supply.lamp.power: '0 W' is not above",
            ),
            ('resource = "ASRL1::INSTR"', "supply.resource: there is no key 'resource' here"),
        ],
    )
    def test_tells_every_mistake(self, tmp_path: Path, line: str, problem: str) -> None:
        """Each with its line, as in any other table."""
        [told] = mistakes(tmp_path, f"{SUPPLY}{line}\n{METER}")
        assert problem in told

    def test_two_roles_on_one_address_are_refused(self, tmp_path: Path) -> None:
        """The power meter's answers would be taken for the switch's."""
        switch = METER.replace("[power_meter]", "[switch]").replace("power-meter", "switch")
        [told] = mistakes(tmp_path, SUPPLY + METER + switch)
        assert "is the address of the power meter, too: one instrument has one role" in told

    def test_the_power_meter_is_waited_for_no_longer_than_a_switch(self) -> None:
        """Power hangs on it: 1 s without an answer is silence, whatever its dialect says."""
        bench = bench_by_hand()
        assert bench.power_meter is not None
        slow = bench.power_meter.model_copy(update={"timeout_s": 20.0})
        bench = bench.model_copy(update={"power_meter": slow})
        assert bench_dialects(bench)["power_meter"].link.timeout_s == 1.0


class TestLamp:
    LAMP = SeriesLamp.model_validate({"voltage": "120 V", "power": "100 W"})

    def test_its_rating_gives_its_resistance(self) -> None:
        """120 V, 100 W: 833 mA, 144 ohm hot (Ohm's law), a tenth of it cold (common practice)."""
        assert pytest.approx(0.8333, rel=1e-3) == self.LAMP.rated_a
        assert pytest.approx(144.0) == self.LAMP.hot_ohm
        assert pytest.approx(14.4) == self.LAMP.cold_ohm

    def test_at_its_rating_it_takes_all_of_the_voltage(self) -> None:
        """A short behind it draws its rated current, hot, and ten times that while it is cold."""
        assert self.LAMP.short_a(120.0) == pytest.approx(self.LAMP.rated_a)
        assert self.LAMP.drop_v(self.LAMP.rated_a) == pytest.approx(120.0)
        assert self.LAMP.first_short_a(120.0) == pytest.approx(8.333, rel=1e-3)

    @pytest.mark.parametrize("voltage_v", [0.1, 1.0, 12.0, 60.0, 130.0])
    def test_a_short_s_current_drops_the_whole_voltage(self, voltage_v: float) -> None:
        """Drop and short current are each other's inverse."""
        assert self.LAMP.drop_v(self.LAMP.short_a(voltage_v)) == pytest.approx(voltage_v)

    def test_half_the_voltage_is_more_than_half_the_current(self) -> None:
        """0.5 to the power of 0.55 is 0.683 (lighting handbooks, from memory)."""
        share = self.LAMP.short_a(60.0) / self.LAMP.rated_a
        assert share == pytest.approx(0.683, rel=1e-3)


class TestPlan:
    def test_levels_below_the_threshold_are_short_and_said_to_be(self, tmp_path: Path) -> None:
        """No converter is left below its start threshold, whatever the profile asks for."""
        text = HEAD.replace('dwell = "1 s"', 'dwell = "5 s"')
        plan = planned(tmp_path, text, bench_by_hand())
        [start] = plan.steps
        assert [level.dwell_s for level in start.levels] == [1.0, 1.0, 5.0]
        assert any(
            "nothing is held for longer than 1 s (10 %, 39 %)" in note for note in plan.notes
        )

    def test_a_level_says_how_far_and_how_fast(self, tmp_path: Path) -> None:
        """There within 2 %, too far beyond 5 %, at the envelope at the latest."""
        plan = planned(tmp_path, HEAD + NOMINAL, bench_by_hand())
        turn = plan.steps[1].levels[0].turn
        assert turn is not None
        assert (turn.low_v, turn.high_v, turn.most_v) == pytest.approx((117.6, 122.4, 126.0))
        assert turn.fastest_v_per_s == pytest.approx(24.0)

    def test_the_lamp_is_bridged_where_the_unit_is_loaded(self, tmp_path: Path) -> None:
        """Unloaded through the lamp, loaded without: 1.2 A through it would take 233 V."""
        plan = planned(tmp_path, HEAD + NOMINAL + LOADED, bench_by_hand())
        assert [step.lamp for step in plan.steps] == [True, True, False]
        assert any("it would take 233 V" in n for n in plan.notes)

    def test_a_lamp_that_lets_enough_through_stays(self, tmp_path: Path) -> None:
        """1 kW in series takes 3.6 V at 1.2 A: nothing is bridged."""
        bench = with_supply(lamp=SeriesLamp.model_validate({"voltage": "120 V", "power": "1 kW"}))
        plan = planned(tmp_path, HEAD + NOMINAL + LOADED, bench)
        assert [step.lamp for step in plan.steps] == [True, True, True]

    def test_what_a_short_would_draw_is_said(self, tmp_path: Path) -> None:
        """The plan has the lamp's figures, cold and hot; or it says that there is no lamp."""
        notes = planned(tmp_path, HEAD, bench_by_hand()).notes
        assert any("draws 8.3 A for the first tenth of a second, then 833 mA" in n for n in notes)
        notes = planned(tmp_path, HEAD, with_supply(lamp=None)).notes
        assert any(note.startswith("No lamp is in series") for note in notes)

    def test_without_a_switch_nothing_above_extra_low_voltage_and_no_release(
        self, tmp_path: Path
    ) -> None:
        """Safety rule 15: the run is refused, and the plan says why."""
        bench = bench_by_hand().model_copy(update={"switch": None})
        plan = planned(tmp_path, HEAD.replace('purpose = "pre-check"', ""), bench)
        reasons = preflight(plan, today=STARTED.date()).reasons
        assert any("nothing goes above 50 V AC, extra-low voltage" in reason for reason in reasons)
        assert "this bench has no switch to cut it: nothing is released" in plan.cannot_release

    def test_another_frequency_than_the_mains_is_refused(self, tmp_path: Path) -> None:
        """Nobody sets the frequency of the mains."""
        text = HEAD + NOMINAL.replace('dwell = "2 s"', 'dwell = "2 s"\nfrequency = "50 Hz"')
        plan = planned(tmp_path, text, bench_by_hand())
        [objection] = plan.objections
        assert objection == (
            "The source set by hand has the frequency of the mains, 60 Hz; steps of this profile "
            "want 50 Hz."
        )

    def test_a_load_too_large_for_the_way_up_is_said(self, tmp_path: Path) -> None:
        """The hand passes the threshold with the load on: 9.6 ohm draw 2 A there."""
        text = HEAD + NOMINAL + LOADED.replace("22 ohm", "9.6 ohm")
        plan = planned(tmp_path, text, bench_by_hand())
        assert any("may be cut on the way up: with resistor 9.6 ohm on" in n for n in plan.notes)


def with_supply(**changed: object) -> BenchFile:
    """Return the bench with another source."""
    bench = bench_by_hand()
    assert bench.by_hand is not None
    return bench.model_copy(update={"supply": bench.by_hand.model_copy(update=changed)})


class TestDip:
    def test_a_hand_times_nothing(self, tmp_path: Path) -> None:
        """A dip step on a bench whose source is set by hand is refused before power."""
        dip = '[[steps]]\nkind = "dip"\nresidual = "0 %"\nduration = "20 ms"\ndwell = "1 s"\n'
        plan = planned(tmp_path, HEAD + NOMINAL + dip, bench_by_hand())
        assert any(
            "a source that is set by hand drops for no stated time" in each
            for each in plan.objections
        )
