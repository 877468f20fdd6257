"""Campaigns around a unit that a file describes."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import FileError, UsageError
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify.campaign import qualify_profile
from harness.qualify.population import TOLERANCES, Drawn, Population
from harness.qualify.unit_result import HEALTHY
from harness.qualify.worker import Job
from harness.rehearse.model_file import UnitModelFile, load_unit_model
from harness.rehearse.unit_model import typical_model

AC, DC = "dome-shutter-power-unit", "mount-controller-board"
PLATE = load_profile(AC).unit
QUICK = ("shorted-input", "shorted-switch")

#: Some values with a tolerance, some without, the rest left out.
TEXT = """
title = "Measured"
input = "ac"
fuse = { rating = "2 A", melting_i2t = "60 A2s" }
varistor = { voltage_at_1ma = "205 V", tolerance = "5 %" }
rectifier = { drop = "1.6 V" }
inrush_limiter = { cold_resistance = "1.5 ohm", tolerance = "20 %", beta = "2800 K" }
bulk = { capacitance = "150 uF", tolerance = "8 %", series_resistance = "0.25 ohm" }
converter = { start = "75 V", output_voltage = "24.1 V", tolerance = "0.5 %", idle_power = "1.5 W" }
"""


def written(folder: Path, text: str = TEXT) -> Path:
    path = folder / "unit.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> UnitModelFile:
    """Unit B, partly measured."""
    return load_unit_model(written(tmp_path_factory.mktemp("unit")))


def drawn(model: UnitModelFile, index: int, *faults: str) -> Drawn:
    return Population(PLATE, seed=3, faults=faults, model=model).draw(index)


class TestDraw:
    @given(index=st.integers(0, 10**6))
    def test_what_has_a_tolerance_stays_inside_it(
        self, measured: UnitModelFile, index: int
    ) -> None:
        """No value leaves the tolerance that the file states for it."""
        model = drawn(measured, 2 * index).model

        assert model.varistor is not None
        assert 205 * 0.95 <= model.varistor.voltage_at_1ma_v <= 205 * 1.05
        assert model.rectifier.limiter is not None
        assert 1.2 <= model.rectifier.limiter.cold_ohm <= 1.8
        assert 138e-6 <= model.bulk.capacitance_f <= 162e-6
        assert 24.1 * 0.995 <= model.converter.output_v <= 24.1 * 1.005

    def test_a_tolerance_alone_takes_the_place_of_the_usual_one(self, tmp_path: Path) -> None:
        """With a tolerance and no value, a part is drawn inside it around the typical value."""
        parts = "\n".join(
            f'{part} = {{ tolerance = "0.1 %" }}' for part in ("varistor", "bulk", "converter")
        )
        path = written(tmp_path, f'title = "Close"\ninput = "ac"\n{parts}')
        typical = typical_model(PLATE)
        assert typical.varistor is not None
        for number in range(20):
            model = drawn(load_unit_model(path), 2 * number).model

            assert model.varistor is not None
            for value, usual in (
                (model.varistor.voltage_at_1ma_v, typical.varistor.voltage_at_1ma_v),
                (model.bulk.capacitance_f, typical.bulk.capacitance_f),
                (model.converter.output_v, typical.converter.output_v),
            ):
                assert value == pytest.approx(usual, rel=1.0001e-3)
                assert value != usual

    @given(index=st.integers(0, 10**6))
    def test_what_has_none_stays(self, measured: UnitModelFile, index: int) -> None:
        """A value that the file gives without a tolerance was measured: every unit has it."""
        model = drawn(measured, 2 * index).model

        assert (model.fuse.rating_a, model.fuse.melting_i2t_a2s) == (2.0, 60.0)
        assert model.rectifier.drop_v == 1.6
        assert model.rectifier.limiter is not None
        assert model.rectifier.limiter.beta_k == 2800.0
        assert model.bulk.series_resistance_ohm == 0.25
        assert model.bulk.nominal_capacitance_f == 150e-6
        assert model.converter.idle_power_w == 1.5
        assert (model.converter.start_v, model.converter.stop_v) == (75.0, pytest.approx(60.0))

    @given(index=st.integers(0, 10**6))
    def test_what_is_left_out_spreads_as_among_all_such_units(
        self, measured: UnitModelFile, index: int
    ) -> None:
        """A value the file does not give is drawn inside the usual tolerance around the typical."""
        model, typical = drawn(measured, 2 * index).model, measured.unit(PLATE)
        for part, tolerances in TOLERANCES.items():
            if getattr(typical, part) is None:
                continue
            for name in set(tolerances) - measured.stated[part]:
                usual = getattr(getattr(typical, part), name)
                value = getattr(getattr(model, part), name)
                least, most = tolerances[name].least * usual, tolerances[name].most * usual

                assert least * (1 - 1e-12) <= value <= most * (1 + 1e-12)

    def test_both_ends_of_a_tolerance_are_drawn(self, measured: UnitModelFile) -> None:
        """Over many units a value comes near both ends of its tolerance, even in between."""
        values = sorted(drawn(measured, 2 * n).model.bulk.capacitance_f for n in range(300))

        assert values[0] < 139e-6
        assert values[-1] > 161e-6
        assert sum(values) / len(values) == pytest.approx(150e-6, rel=0.01)

    def test_left_out_values_do_differ(self, measured: UnitModelFile) -> None:
        """What the file leaves out differs from unit to unit."""
        models = [drawn(measured, 2 * n).model for n in range(20)]

        assert len({one.converter.output_limit_a for one in models}) == 20
        assert len({one.bulk.leakage_ohm for one in models}) == 20
        assert len({one.fuse.resistance_ohm for one in models}) == 20

    def test_an_aged_capacitor_stays_as_old_as_it_is(self, tmp_path: Path) -> None:
        """With the share that is left stated, capacitance is known; resistance still spreads."""
        path = written(
            tmp_path, 'title = "Old"\ninput = "ac"\nbulk = { capacitance_left = "80 %" }'
        )
        models = [drawn(load_unit_model(path), 2 * n).model for n in range(10)]
        printed_f = typical_model(PLATE).bulk.capacitance_f

        assert {one.bulk.capacitance_f for one in models} == {0.8 * printed_f}
        assert len({one.bulk.series_resistance_ohm for one in models}) == 10

    def test_thresholds_keep_their_order(self, tmp_path: Path) -> None:
        """With one of the two thresholds stated, the converter still stops below its start."""
        for text in ('stop = "60 V"', 'start = "70 V"'):
            path = written(tmp_path, f'title = "One"\ninput = "ac"\nconverter = {{ {text} }}')
            file = load_unit_model(path)
            for number in range(20):
                converter = drawn(file, 2 * number).model.converter

                assert converter.stop_v < converter.start_v
                assert getattr(converter, f"{text[:5].strip()}_v") == float(text.split('"')[1][:2])

    def test_faults_come_on_top_of_it(self, measured: UnitModelFile) -> None:
        """A faulty unit is the unit described, with one fault."""
        faulty = drawn(measured, 1, "shorted-switch")

        assert faulty.model.defects.bulk_short_ohm == faulty.severity
        assert faulty.model.bulk.series_resistance_ohm == 0.25
        assert drawn(measured, 0).kind == HEALTHY

    def test_a_number_always_gives_the_same_unit(self, measured: UnitModelFile) -> None:
        """A unit follows from campaign and number, whoever draws it."""
        assert drawn(measured, 7) == drawn(measured, 7)
        assert drawn(measured, 4).model != drawn(measured, 6).model


class TestRefused:
    def test_a_unit_model_with_faults(self) -> None:
        """Healthy units must be healthy: a file that lists faults is refused at its first."""
        with pytest.raises(FileError, match=r"healthy.*--fault") as caught:
            qualify_profile(DC, model="mount-controller-HRW-0012", units=2, workers=1)

        (mistake,) = caught.value.mistakes
        assert (mistake.line, mistake.key) == (20, "faults[0].kind")
        assert "\n" not in str(caught.value)

    def test_a_unit_model_of_another_kind_of_unit(self, tmp_path: Path) -> None:
        """A unit model with AC input is refused for a board that takes DC, before any unit."""
        with pytest.raises(FileError, match="DC input"):
            qualify_profile(DC, model=written(tmp_path), units=2, workers=1)

    def test_a_unit_model_that_is_not_there(self) -> None:
        """A name that is near a shipped one gets a hint."""
        with pytest.raises(FileError, match="did you mean"):
            qualify_profile(AC, model="dome-shutter-HRW-0008", units=2, workers=1)


class TestCampaign:
    @pytest.mark.repeat
    @pytest.mark.torture
    def test_the_table_does_not_depend_on_the_number_of_workers(
        self, measured: UnitModelFile
    ) -> None:
        """Same seed, same table, byte for byte, in this process or in two others."""
        given = {"model": measured, "units": 12, "seed": 6, "faults": QUICK}
        alone = qualify_profile(AC, workers=1, **given)  # type: ignore[arg-type]

        assert qualify_profile(AC, workers=2, **given).csv() == alone.csv()  # type: ignore[arg-type]
        assert alone.model is measured
        without = qualify_profile(AC, units=12, seed=6, workers=1, faults=QUICK)
        assert without.csv() != alone.csv()
        assert without.model is None

    def test_a_job_tells_unit_models_apart(
        self, profile_b: Profile, measured: UnitModelFile, tmp_path: Path
    ) -> None:
        """A worker that served one unit model makes a new bench for another, or for none."""
        other = load_unit_model(written(tmp_path, TEXT.replace("24.1 V", "24.2 V")))
        models = (None, measured, other)
        jobs = {Job(profile=profile_b, seed=1, model=model) for model in models}

        assert len(jobs) == 3

    @pytest.mark.parametrize("change", ["none", "another"])
    def test_another_unit_model_is_another_campaign(self, tmp_path: Path, change: str) -> None:
        """A folder goes on only with the unit model it was begun with; what differs is named."""
        given = {"units": 2, "seed": 6, "workers": 1, "faults": QUICK, "out": tmp_path / "out"}
        path = written(tmp_path)
        qualify_profile(AC, model=path, **given)  # type: ignore[arg-type]
        assert qualify_profile(AC, model=path, **given).new == 0  # type: ignore[arg-type]
        if change == "another":
            written(tmp_path, TEXT.replace("24.1 V", "24.2 V"))

        with pytest.raises(UsageError, match=r"other unit_model\).*another folder"):
            qualify_profile(AC, model=None if change == "none" else path, **given)  # type: ignore[arg-type]
