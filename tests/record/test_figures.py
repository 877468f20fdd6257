"""What a start told of the unit, in the journal and back."""

from __future__ import annotations

import json
import math

import pytest

from harness.record.figures import (
    EarlierFigure,
    Figure,
    Figures,
    FittedLevel,
    Gain,
    KnownFigures,
    figures_detail,
    known_detail,
    read_figures,
    read_known,
)

TOLD = Figures(
    of="start",
    figures=(
        Figure(measure="start.bulk_capacitance", unit="F", value=466e-6, expanded=9e-6),
        Figure(measure="start.series_resistance", unit="ohm", why_not="one level only"),
    ),
    fitted=(
        FittedLevel(level="10 %", times_s=(0.1, 0.2), voltage_v=(1.0, 2.0), current_a=(0.02, 0.0)),
    ),
    gains=(Gain(level="25 %", square_v2=760.0, energy_j=0.114, expanded_j=0.014),),
)
KNOWN = KnownFigures(
    nameplate={"start.bulk_capacitance": 470e-6},
    earlier=(
        EarlierFigure(
            run="20261102T063119Z-HRW-0007-3fa2",
            date="2026-11-02",
            of="start",
            measure="start.bulk_capacitance",
            unit="F",
            value=471e-6,
            expanded=9e-6,
        ),
    ),
)


def fitted_line(times: str, volts: str) -> str:
    """An event whose fitted line has these times and volts."""
    line = f'{{"level": "a", "time_s": {times}, "voltage_v": {volts}, "current_a": []}}'
    return f'{{"of": "start", "figures": [], "fitted": [{line}]}}'


class TestFigures:
    def test_they_come_back_as_they_were_told(self) -> None:
        """What is read from an event is what was written, a missing value included."""
        back = read_figures(figures_detail(TOLD))

        assert back is not None
        assert (back.of, back.fitted, back.figures[0]) == ("start", TOLD.fitted, TOLD.figures[0])
        assert back.gains == TOLD.gains
        assert math.isnan(back.figures[1].value)
        assert back.figures[1].why_not == "one level only"

    def test_a_record_without_gains_is_read(self) -> None:
        """Records of before gains were kept have none."""
        told = json.loads(figures_detail(TOLD))
        del told["gains"]
        back = read_figures(json.dumps(told))

        assert back is not None
        assert back.gains == ()

    def test_the_event_has_the_keys_that_are_promised(self) -> None:
        """The event is JSON with the keys that the page of events names; no number is null."""
        told = json.loads(figures_detail(TOLD))

        assert set(told) == {"of", "figures", "fitted", "gains"}
        assert set(told["gains"][0]) == {"level", "square_v2", "energy_j", "expanded_j"}
        assert told["figures"][1] == {
            "measure": "start.series_resistance",
            "level": "",
            "unit": "ohm",
            "value": None,
            "expanded": None,
            "why_not": "one level only",
        }
        assert set(told["fitted"][0]) == {"level", "time_s", "voltage_v", "current_a"}

    @pytest.mark.parametrize(
        "detail",
        [
            "",
            "{",
            "[]",
            '{"of": "lunch", "figures": [], "fitted": []}',
            '{"of": "start", "figures": [{"measure": "m"}], "fitted": []}',
            fitted_line("[1]", "[1, 2]"),
            fitted_line("[NaN]", "[]"),
            '{"of": "start", "figures": [], "fitted": [], "gains": [{"level": "a"}]}',
            "[" * 5000,
        ],
    )
    def test_what_this_program_did_not_write_is_none(self, detail: str) -> None:
        """A row that anybody could have written gives no figures, and no error."""
        assert read_figures(detail) is None

    def test_what_does_not_print_is_escaped(self) -> None:
        """No character that turns a screen around gets any further."""
        told = figures_detail(Figures(of="start", figures=(Figure(measure="\x1b[2J", unit="F"),)))
        back = read_figures(told)

        assert back is not None
        assert back.figures[0].measure == "\\x1b[2J"


class TestKnown:
    def test_it_comes_back_out_of_the_plan(self) -> None:
        """What was known before the run is read from the plan's event as it was written."""
        assert read_known(json.dumps({"known": known_detail(KNOWN)})) == KNOWN

    @pytest.mark.parametrize("detail", ["", "{}", '{"known": 3}', '{"known": {"nameplate": {}}}'])
    def test_a_plan_that_says_nothing_of_it_knows_nothing(self, detail: str) -> None:
        """A record from before there were figures knew nothing of the unit."""
        assert read_known(detail) == KnownFigures()
