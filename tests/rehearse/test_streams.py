from __future__ import annotations

import hashlib
import random
from itertools import combinations

import numpy as np
import pytest

from harness.api import simulated_bench_file
from harness.profile.load import load_profile
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import typical_model


class TestStream:
    def test_a_name_stands_for_its_numbers(self) -> None:
        """The same name gives the same numbers, whatever was drawn from other streams before."""
        first = stream(7, "supply", "voltage")
        numbers = [first.random() for _ in range(5)]
        stream(7, "supply", "current").random()
        again = stream(7, "supply", "voltage")

        assert [again.random() for _ in range(5)] == numbers

    def test_it_is_seeded_by_the_text_of_the_name(self) -> None:
        """The seed is the text of the name and its SHA-512, on every machine.

        Source: CPython's ``random.seed`` of a text, version 2: the text's bytes, then their
        SHA-512, as one big-endian number (from memory); the digest is that of hashlib.
        """
        name = b"7 / supply / voltage"
        seed = int.from_bytes(name + hashlib.sha512(name).digest(), "big")

        assert stream(7, "supply", "voltage").random() == random.Random(seed).random()

    def test_streams_of_other_names_have_nothing_in_common(self) -> None:
        """Uniform numbers of streams with much the same name are uncorrelated.

        Source: the correlation of n independent pairs has a deviation of 1/sqrt(n), textbook.
        """
        count = 4000
        drawn = [
            np.array([one.random() for _ in range(count)])
            for one in (stream(*name) for name in ((1, "a"), (1, "b"), (2, "a"), (11, "a")))
        ]
        for one, other in combinations(drawn, 2):
            assert abs(np.corrcoef(one, other)[0, 1]) < 4.0 / count**0.5


class TestReadings:
    @pytest.mark.parametrize("quantity", ["resistance", "temperature", "voltage_ac"])
    def test_a_reading_more_moves_no_other(self, quantity: str) -> None:
        """A quantity that is read in between leaves what all others read as it was."""
        profile = load_profile("mount-controller-board")
        file = simulated_bench_file(profile)

        def readings(*, more: bool) -> list[str]:
            bench = SimulatedBench(typical_model(profile.unit), file, SimulatedClock(), seed=3)
            assert file.meter is not None
            supply, meter = (bench.devices[one.resource] for one in (file.supply, file.meter))
            found = []
            for _ in range(5):
                if more:
                    meter.ask(SPOKEN[quantity])
                found += [supply.ask("MEAS:VOLT?;:MEAS:CURR?"), meter.ask("MEAS:VOLT:DC?")]
            return found

        assert readings(more=True) == readings(more=False)


#: What asks the meter for a quantity.
SPOKEN = {"resistance": "MEAS:RES?", "temperature": "MEAS:TEMP?", "voltage_ac": "MEAS:VOLT:AC?"}
