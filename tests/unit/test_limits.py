from __future__ import annotations

import math
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.profile.load import load_profile
from harness.unit.limits import LimitTable, shipped_limits, supply_kind
from harness.unit.nameplate import Unit


def unit(
    protection_class: str = "II", *, volts: str = "24 V", amps: str = "2.5 A", outputs: int = 1
) -> Unit:
    output = {"kind": "dc", "nominal": volts, "current": amps}
    line = {
        "kind": "ac",
        "nominal": "120 V",
        "tolerance": "10 %",
        "frequency": ["60 Hz"],
        "current": "1.2 A",
    }
    return Unit.model_validate(
        {
            "input": line,
            "output": {f"out{number}": output for number in range(outputs)},
            "protection_class": protection_class,
        }
    )


LOCAL = """
title = "Our rule"

[[limit]]
name   = "insulation resistance"
class  = ["II"]
unit   = "ohm"
low    = "5 Mohm"
source = "works rule 7"

[[limit]]
name   = "plug pins"
below  = "20 V"
within = "0.5 s"
source = "works rule 8"
"""


class TestTable:
    def test_the_class_of_the_unit_chooses_the_row(self) -> None:
        """One name stands for another limit in each protection class."""
        table = shipped_limits()
        lows = [
            table.of_check("insulation resistance", unit(name)).low for name in ("I", "II", "III")
        ]

        assert lows == [1e6, 2e6, 0.25e6]

    def test_a_class_without_a_row_is_told(self) -> None:
        """A limit that does not concern the unit's class is no limit."""
        with pytest.raises(LookupError, match="no row for protection class II"):
            shipped_limits().of_check("protective-conductor resistance", unit("II"))

    def test_an_unknown_name_gets_the_nearest(self) -> None:
        """A slip in a name is answered with the right one."""
        with pytest.raises(LookupError, match="did you mean 'touch current'"):
            shipped_limits().of_check("touch curent", unit())

    def test_limits_of_a_discharge_are_of_another_kind(self) -> None:
        """A limit with below and within is none for a check, and the other way round."""
        table = shipped_limits()
        with pytest.raises(LookupError, match="is for a discharge step"):
            table.of_check("connector", unit())
        with pytest.raises(LookupError, match="has no below and within"):
            table.of_discharge("touch current", unit())

    def test_a_local_rule_takes_the_place_of_the_table(self) -> None:
        """A table of one's own has its own figures, and its source says whose they are."""
        table = LimitTable.model_validate(tomllib.loads(LOCAL))

        assert table.of_check("insulation resistance", unit()).low == 5e6
        assert table.of_discharge("plug pins", unit()).within_s == 0.5
        assert table.of_check("insulation resistance", unit()).source == "works rule 7"

    @pytest.mark.parametrize(
        ("old", "new", "problem"),
        [
            ('low    = "5 Mohm"\n', "", "needs low or high"),
            ('unit   = "ohm"\n', "", "needs its unit beside it"),
            ('within = "0.5 s"\n', "", "both below and within"),
            ('source = "works rule 7"\n', "", "Field required"),
            ('"5 Mohm"', '"5 MV"', "is a voltage"),
            ('low    = "5 Mohm"', 'low = "5 Mohm"\nhigh = "1 ohm"', "below the lower limit"),
        ],
    )
    def test_a_mistake_in_a_table_is_told(self, old: str, new: str, problem: str) -> None:
        """A row that says too little, or nonsense, is refused with what is wrong."""
        assert old in LOCAL
        with pytest.raises(ValueError, match=problem):
            LimitTable.model_validate(tomllib.loads(LOCAL.replace(old, new)))

    def test_every_row_has_a_source(self) -> None:
        """No figure of the shipped table stands there without saying where it is from."""
        table = shipped_limits()

        assert all(len(row.source) > 8 for row in (*table.limit, *table.supply))


class TestSupplyKind:
    @pytest.mark.parametrize(
        ("volts", "amps", "outputs", "kind"),
        [
            ("24 V", "2.5 A", 1, "ac-dc"),
            ("5 V", "2 A", 1, "low voltage"),
            ("6 V", "2 A", 1, "ac-dc"),  # below 6 V, not at it
            ("5 V", "0.55 A", 1, "low voltage"),
            ("5 V", "0.54 A", 1, "ac-dc"),
            ("24 V", "1 A", 2, "multi-output"),
        ],
    )
    def test_follows_from_the_nameplate(
        self, volts: str, amps: str, outputs: int, kind: str
    ) -> None:
        """Low voltage is below 6 V and 550 mA or more; several outputs are a kind of their own."""
        assert supply_kind(unit(volts=volts, amps=amps, outputs=outputs)) == kind

    def test_a_dc_input_is_no_external_supply(self) -> None:
        """The regulation is about supplies on the mains."""
        board = load_profile("mount-controller-board").unit

        assert supply_kind(board) is None
        with pytest.raises(LookupError, match="AC input and DC outputs"):
            shipped_limits().of_check("EU 2019/1782 efficiency", board)


@given(st.floats(0.3, 250.0), st.sampled_from(["ac-dc", "low voltage", "multi-output"]))
def test_an_efficiency_limit_is_a_share_and_never_falls(power_w: float, kind: str) -> None:
    """More power never asks for less efficiency, and no limit is above one."""
    (row,) = [row for row in _efficiency(shipped_limits()) if row.kind == kind]
    less, more = row.at(power_w), row.at(power_w * 1.05)

    assert 0.0 < less < 1.0
    assert more >= less or math.isclose(more, less, rel_tol=0.01)


def _efficiency(table: LimitTable) -> list:  # type: ignore[type-arg]
    return [row for row in table.supply if row.name == "EU 2019/1782 efficiency"]
