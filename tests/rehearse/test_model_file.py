from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.api import rehearse_profile
from harness.errors import FileError
from harness.profile.load import load_profile
from harness.rehearse.charge_parts import typical_battery
from harness.rehearse.faults import FAULTS
from harness.rehearse.model_file import load_unit_model
from harness.rehearse.part_tables import BatteryTable
from harness.rehearse.unit_model import Onset, UnitModel, typical_model
from harness.shipped import shipped_names
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit

MODELS = [name for name in shipped_names("profiles") if name.startswith("models/")]
PROFILES = {"dc": "mount-controller-board", "ac": "dome-shutter-power-unit"}


@pytest.fixture(scope="module")
def plate() -> Unit:
    """The nameplate of the dome-shutter power unit."""
    return load_profile(PROFILES["ac"]).unit


@pytest.fixture(scope="module")
def charger() -> Unit:
    """The nameplate of the lamp battery charger: 2 A up to 18 V, wakes at 5 V."""
    return load_profile("lamp-battery-charger").unit


def written(folder: Path, text: str, kind: str = "ac") -> Path:
    path = folder / "unit.toml"
    path.write_text(f'title = "A unit"\ninput = "{kind}"\n{text}', encoding="utf-8")
    return path


def made(folder: Path, text: str, plate: Unit, seed: int = 1) -> UnitModel:
    return load_unit_model(written(folder, text)).unit(plate, seed=seed)


class TestShipped:
    @pytest.mark.parametrize("name", MODELS)
    def test_it_loads_and_fits_a_demo_unit(self, name: str) -> None:
        """Every shipped unit model is one of a demo unit, with or without its folder's name."""
        file = load_unit_model(name.removeprefix("models/").removesuffix(".toml"))
        of = "-".join(Path(name).stem.split("-")[:2])
        profile = next(each for each in shipped_names("profiles") if each.startswith(of))
        model = file.unit(load_profile(profile).unit)

        assert file.text == load_unit_model(name).text
        assert model.input_kind == file.input


class TestStandby:
    """The converter of a standby output."""

    SAID = (
        '[standby]\noutput_voltage = "5.1 V"\ntolerance = "2 %"\nidle_power = "0.3 W"\n'
        'start = "60 V"\n[converter]\noutput_voltage = "24 V"\ntolerance = "2 %"\n'
    )

    def test_what_is_said_of_it_stands(self, tmp_path: Path) -> None:
        """Its values are its own: drawn by themselves, and the main converter keeps its own."""
        camera = load_profile("guide-camera-supply").unit
        usual, model = typical_model(camera), made(tmp_path, self.SAID, camera)
        assert usual.standby is not None
        assert model.standby is not None

        assert model.standby.idle_power_w == 0.3
        assert model.standby.start_v == 60.0
        stop_share = usual.standby.stop_v / usual.standby.start_v
        assert model.standby.stop_v == pytest.approx(60.0 * stop_share)
        off, main_off = model.standby.output_v / 5.1 - 1.0, model.converter.output_v / 24.0 - 1.0
        assert 0.0 < abs(off) <= 0.02
        assert off != pytest.approx(main_off)
        assert model.converter.idle_power_w == usual.converter.idle_power_w

    def test_only_a_unit_with_a_standby_output_has_it(self, tmp_path: Path, plate: Unit) -> None:
        """Elsewhere it is a mistake, with its line."""
        with pytest.raises(FileError) as caught:
            made(tmp_path, self.SAID, plate)
        [mistake] = caught.value.mistakes
        assert "no standby output" in mistake.problem
        assert mistake.key == "standby"

    def test_a_stop_above_its_start_is_refused(self, tmp_path: Path) -> None:
        """As for the main converter, by the key of the standby one."""
        camera = load_profile("guide-camera-supply").unit
        with pytest.raises(FileError) as caught:
            made(tmp_path, '[standby]\nstart = "60 V"\nstop = "70 V"\n', camera)
        assert caught.value.mistakes[0].key == "standby.stop"


class TestValues:
    def test_an_empty_file_is_the_typical_unit(self, tmp_path: Path, plate: Unit) -> None:
        """What the file leaves out is typical of the nameplate: nothing said, nothing changed."""
        assert made(tmp_path, "", plate) == typical_model(plate)

    def test_what_is_said_stands(self, tmp_path: Path, plate: Unit) -> None:
        """Values without a tolerance stand as they are, in SI."""
        model = made(
            tmp_path,
            'fuse = { rating = "3.15 A", melting_i2t = "120 A2s", resistance = "40 mohm" }\n'
            'varistor = { voltage_at_1ma = "220 V", energy = "42 J", exponent = 35 }\n'
            'rectifier = { drop = "1.5 V", drop_current = "1 A", emission_voltage = "80 mV", '
            'inductance = "250 uH", '
            'resistance = "0.2 ohm" }\n'
            'inrush_limiter = { cold_resistance = "10 ohm", beta = "3200 K", '
            'dissipation = "12 mW/K", heat_time = "45 s" }\n'
            'bulk = { capacitance = "180 uF", series_resistance = "0.2 ohm", leakage = "1 Mohm" }\n'
            'converter = { start = "90 V", idle_power = "1.5 W", output_voltage = "24.2 V" }\n',
            plate,
        )

        assert (model.fuse.rating_a, model.fuse.melting_i2t_a2s) == (3.15, 120.0)
        assert model.fuse.resistance_ohm == 0.04
        assert model.varistor is not None
        assert (model.varistor.voltage_at_1ma_v, model.varistor.exponent) == (220.0, 35.0)
        assert model.varistor.energy_j == 42.0
        assert (model.rectifier.drop_v, model.rectifier.resistance_ohm) == (1.5, 0.2)
        assert (model.rectifier.drop_at_a, model.rectifier.emission_v) == (1.0, 0.08)
        assert model.rectifier.inductance_h == pytest.approx(250e-6)
        limiter = model.rectifier.limiter
        assert limiter is not None
        assert (limiter.cold_ohm, limiter.beta_k) == (10.0, 3200.0)
        assert (limiter.dissipation_w_per_k, limiter.heat_time_s) == (0.012, 45.0)
        assert model.bulk.capacitance_f == model.bulk.nominal_capacitance_f == 180e-6
        assert (model.bulk.series_resistance_ohm, model.bulk.leakage_ohm) == (0.2, 1e6)
        assert (model.converter.start_v, model.converter.stop_v) == (90.0, 72.0)
        assert (model.converter.idle_power_w, model.converter.output_v) == (1.5, 24.2)
        assert model.converter.nominal_bulk_v == pytest.approx(120.0 * 2**0.5 - 1.5)

    def test_a_varistor_may_be_missing(self, tmp_path: Path, plate: Unit) -> None:
        """A unit without a varistor says so."""
        assert made(tmp_path, "varistor = { fitted = false }", plate).varistor is None

    def test_age(self, tmp_path: Path, plate: Unit) -> None:
        """With 80 % of 150 uF left, 120 uF remain and 0.3 ohm became 0.375 ohm."""
        text = (
            'bulk = { capacitance = "150 uF", series_resistance = "0.3 ohm", '
            'capacitance_left = "80 %" }'
        )
        bulk = made(tmp_path, text, plate).bulk

        assert bulk.capacitance_f == pytest.approx(120e-6)
        assert bulk.nominal_capacitance_f == 150e-6
        assert bulk.series_resistance_ohm == pytest.approx(0.375)

    @given(seed=st.integers(0, 10**9))
    def test_tolerances_hold(
        self, seed: int, plate: Unit, tmp_path_factory: pytest.TempPathFactory
    ) -> None:
        """Whatever the seed, a value is inside its tolerance, and the same seed gives the same."""
        folder = tmp_path_factory.getbasetemp()
        text = (
            'bulk = { capacitance = "150 uF", tolerance = "20 %" }\n'
            'varistor = { voltage_at_1ma = "205 V", tolerance = "10 %" }\n'
            'inrush_limiter = { cold_resistance = "5 ohm", tolerance = "15 %" }\n'
            'converter = { output_voltage = "24 V", tolerance = "1 %" }'
        )
        model = made(folder, text, plate, seed)

        assert model == made(folder, text, plate, seed)
        assert 120e-6 <= model.bulk.capacitance_f <= 180e-6
        assert model.bulk.nominal_capacitance_f == 150e-6
        assert model.varistor is not None
        assert 184.5 <= model.varistor.voltage_at_1ma_v <= 225.5
        assert model.rectifier.limiter is not None
        assert 4.25 <= model.rectifier.limiter.cold_ohm <= 5.75
        assert 23.76 <= model.converter.output_v <= 24.24

    def test_seeds_differ(self, tmp_path: Path, plate: Unit) -> None:
        """Different seeds give different units where there is a tolerance."""
        text = 'bulk = { capacitance = "150 uF", tolerance = "20 %" }'
        values = {made(tmp_path, text, plate, seed).bulk.capacitance_f for seed in range(20)}

        assert len(values) == 20


class TestFaults:
    @pytest.mark.parametrize(
        ("text", "severity"),
        [
            ("0.5", 0.5),
            ('"50 %"', 0.5),
            ('"mild"', "mild"),
            ('"severe"', "severe"),
        ],
    )
    def test_severity(self, text: str, severity: float | str, tmp_path: Path, plate: Unit) -> None:
        """A share may be a plain number or a percentage; a word is the fault's own number."""
        table = f'[[faults]]\nkind = "leaky-bulk-capacitor"\nseverity = {text}'
        fault = FAULTS["leaky-bulk-capacitor"]

        assert made(tmp_path, table, plate) == fault.apply(typical_model(plate), severity=severity)

    def test_several_with_their_onsets(self, tmp_path: Path, plate: Unit) -> None:
        """Each fault of the list keeps its own severity and onset."""
        defects = made(
            tmp_path,
            '[[faults]]\nkind = "shorted-switch"\nseverity = "0.7 ohm"\nonset_time = "2 s"\n'
            '[[faults]]\nkind = "leaky-bulk-capacitor"\nonset_voltage = "60 V"\n'
            '[[faults]]\nkind = "open-rectifier-diode"\n',
            plate,
        ).defects

        assert defects.bulk_short_ohm == 0.7
        assert defects.onsets["bulk_short_ohm"] == Onset(time_s=2.0)
        assert defects.onsets["bulk_leak_ohm"] == Onset(voltage_v=60.0)


class TestMistakes:
    @pytest.mark.parametrize(
        ("text", "line", "key", "problem"),
        [
            ('bulk = { capacitance = "150" }', 3, "bulk.capacitance", "has no unit"),
            ('bulk = { capacitance = "150 V" }', 3, "bulk.capacitance", "is a voltage"),
            ('bulk = { capactance = "150 uF" }', 3, "bulk.capactance", "did you mean"),
            ('bulk = { tolerance = "120 %" }', 3, "bulk.tolerance", "below 100 %"),
            ('bulk = { capacitance_left = "0.1 %" }', 3, "bulk.capacitance_left", "0.5 %"),
            ('bulk = { forming_time = "2 s" }', 3, "bulk", "belong together"),
            ("\n[inrush_limiter]\n", 4, "inrush_limiter.cold_resistance", "missing"),
            ('[inrush_limiter]\ncold_resistance = "5 ohm"\nbeta = "3000"', 5, "beta", "kelvin|K"),
            (
                '[inrush_limiter]\ncold_resistance = "5 ohm"\ndissipation = "5 mW"',
                5,
                "dissipation",
                "mW/K",
            ),
            ('converter = { start = "50 V", stop = "60 V" }', 3, "converter.stop", "below start"),
            ('rectifier = { emission_voltage = "88" }', 3, "emission_voltage", "has no unit"),
            ("varistor = { exponent = 200 }", 3, "varistor.exponent", "from 2 to 100"),
            ('[[faults]]\nkind = "shorted-swich"', 4, "faults[0].kind", "did you mean"),
            ('[[faults]]\nseverity = "mild"', 3, "faults[0].kind", "missing"),
            (
                '[[faults]]\nkind = "shorted-switch"\nseverity = 0.5',
                5,
                "faults[0].severity",
                "no unit",
            ),
            (
                '[[faults]]\nkind = "shorted-switch"\nseverity = "500 ohm"',
                5,
                "faults[0].severity",
                "from 0.02 to 20",
            ),
            (
                '[[faults]]\nkind = "no-start"\nseverity = "mild"',
                5,
                "faults[0].severity",
                "no severity",
            ),
            (
                '[[faults]]\nkind = "output-low"\nonset_time = "2 s"',
                5,
                "faults[0].onset_time",
                "from the beginning",
            ),
        ],
    )
    def test_it_is_told_with_its_line(
        self, text: str, line: int, key: str, problem: str, tmp_path: Path, plate: Unit
    ) -> None:
        """Every mistake comes with file, line, key and what is wrong."""
        path = written(tmp_path, text)
        with pytest.raises(FileError, match=problem) as caught:
            load_unit_model(path).unit(plate)
        mistake = caught.value.mistakes[0]

        assert mistake.file == str(path)
        assert mistake.line == line
        assert mistake.key.endswith(key)

    def test_every_mistake_at_once(self, tmp_path: Path) -> None:
        """All mistakes of a file are told together."""
        text = 'bulk = { capacitance = 1, leakage = "1 V" }\nfuse = { rating = "x" }'
        with pytest.raises(FileError) as caught:
            load_unit_model(written(tmp_path, text))

        assert len(caught.value.mistakes) == 3

    def test_the_diode_of_a_dc_input_has_a_fixed_drop(self, tmp_path: Path) -> None:
        """What the simulation of a DC input would not use is refused, not left aside."""
        path = tmp_path / "unit.toml"
        text = 'title = "Board"\ninput = "dc"\nrectifier = { emission_voltage = "88 mV" }\n'
        path.write_text(text, encoding="utf-8")
        with pytest.raises(FileError, match="leave emission_voltage out") as caught:
            load_unit_model(path)

        assert caught.value.mistakes[0].line == 3

    def test_a_model_of_another_kind_of_unit(self, tmp_path: Path, plate: Unit) -> None:
        """A model of a DC unit is refused for an AC nameplate, at the line that says so."""
        with pytest.raises(FileError, match="AC input") as caught:
            load_unit_model(written(tmp_path, "", "dc")).unit(plate)

        assert caught.value.mistakes[0].line == 2

    def test_no_such_file(self) -> None:
        """A name that is near a shipped one gets a hint."""
        with pytest.raises(FileError, match="did you mean"):
            load_unit_model("dome-shutter-HRW-0008")


#: Lines as a slip may leave them.
SLIPS = (
    "[bulk",
    "bulk = 3",
    "faults = {}",
    "faults = [1]",
    "[[faults]]",
    "kind = 5",
    'severity = "nan ohm"',
    "severity = true",
    "severity = inf",
    "severity = [1]",
    'onset_time = "-1 s"',
    '[inrush_limiter]\nbeta = "1e9 K"\ncold_resistance = "5 ohm"',
    'inrush_limiter = "5 ohm"',
    'fuse = { rating = "0 A" }',
    'converter = { start = "1e9 V" }',
    'varistor = { exponent = "30" }',
)


@given(
    lines=st.lists(st.sampled_from(SLIPS), min_size=1, max_size=3),
    name=st.sampled_from(MODELS),
    at=st.floats(0.0, 1.0),
)
def test_no_file_gives_a_traceback(
    lines: list[str], name: str, at: float, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Whatever lines slip into a unit model, it loads or its mistakes are told."""
    whole = load_unit_model(name).text.splitlines()
    place = round(at * len(whole))
    path = tmp_path_factory.getbasetemp() / "slip.toml"
    path.write_text("\n".join([*whole[:place], *lines, *whole[place:]]), encoding="utf-8")
    told: tuple[object, ...] = ("nothing wrong",)
    try:
        file = load_unit_model(path)
        file.unit(load_profile(PROFILES[file.input]).unit)
    except FileError as error:
        told = error.mistakes

    assert told


class TestCharger:
    def test_stage_and_battery_are_as_the_file_says(self, tmp_path: Path, charger: Unit) -> None:
        """What is said stands, in SI; what is not said is typical of the nameplate."""
        text = (
            'charger = { current = "1.9 A", voltage = "17.9 V", resistance = "8 mohm", '
            'wake = "4.8 V", wake_delay = "0.4 s", ramp = "0.1 s", end_current = "0.15 A", '
            'drain_resistance = "12 kohm" }\n'
            'battery = { capacity = "0.5 Ah", resistance = "80 mohm", charged = "70 %", '
            'empty = "14 V", full = "17.8 V" }'
        )
        model, typical = made(tmp_path, text, charger), typical_model(charger)
        stage, battery = model.charger, model.battery

        assert stage is not None
        assert battery is not None
        assert (stage.current_a, stage.voltage_v, stage.resistance_ohm) == (1.9, 17.9, 0.008)
        assert (stage.wake_v, stage.wake_delay_s, stage.ramp_s) == (4.8, 0.4, 0.1)
        assert (stage.end_current_a, stage.drain_ohm) == (0.15, 12e3)
        assert (battery.capacity_c, battery.resistance_ohm) == (1800.0, 0.08)
        assert battery.charged_frac == 0.7
        assert battery.emf_v(0.0) == 14.0
        assert battery.emf_v(1.0) == 17.8
        assert made(tmp_path, "", charger) == typical

    def test_beyond_full_the_emf_goes_on_as_that_of_the_typical_one(self) -> None:
        """A charge that ends by a drop of the voltage has one to see, wherever full is."""
        output = ChargerOutput.model_validate(
            {"kind": "charger", "range": ["7.2 V", "18 V"], "current": "2 A", "end_drop": "80 mV"}
        )
        typical = typical_battery(output)
        moved = BatteryTable.model_validate({"full": "16 V"}).curve(typical)

        fallen_v = typical.curve[1][1] - typical.curve[2][1]
        assert moved[1] == (1.0, pytest.approx(16.0))
        assert moved[2] == (typical.curve[2][0], pytest.approx(16.0 - fallen_v))

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ('charger = { wake = "18 V" }', "18 is not below 18, the voltage that it holds"),
            ('charger = { end_current = "2 A" }', "2 is not below 2, the current of the charge"),
            ('battery = { full = "14 V" }', "14.4 V when it is empty, and 14 V when it is full"),
            ('battery = { empty = "18.5 V" }', "18.5 V when it is empty, and 18 V when it is"),
            ('battery = { charged = "101 %" }', "a state of charge is at most 100 %"),
            ('battery = { capacity = "2 A" }', "2 A"),
        ],
    )
    def test_what_contradicts_itself_is_refused(
        self, tmp_path: Path, charger: Unit, text: str, problem: str
    ) -> None:
        """By the file, its line and its key."""
        with pytest.raises(FileError, match=problem):
            made(tmp_path, text, charger)

    @pytest.mark.parametrize("table", ['charger = { wake = "5 V" }', 'battery = { full = "9 V" }'])
    def test_a_unit_that_charges_nothing_has_neither(
        self, tmp_path: Path, plate: Unit, table: str
    ) -> None:
        """Its nameplate names no output for a battery."""
        with pytest.raises(FileError, match="has no output that is a charger: leave this table"):
            made(tmp_path, table, plate)

    def test_a_rehearsal_charges_that_battery(self, tmp_path: Path) -> None:
        """The person measures its EMF before it is connected."""
        file = written(tmp_path, 'battery = { empty = "10 V", full = "17 V", charged = "50 %" }')
        result = rehearse_profile("lamp-battery-charger", model=file)

        assert result.exit_code == 0, result.reason
        assert result.record is not None
        told = " ".join(map(str, result.record.events["detail"]))
        assert "battery: 13.5 V before it is connected" in told
