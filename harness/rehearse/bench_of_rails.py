"""Further instruments of the simulated bench, as a profile needs them for its unit."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping

from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Aux, Range
from harness.profile.measures import MEASURES, Situation
from harness.profile.schema import Profile
from harness.profile.step import AnyStep
from harness.profile.wiring import places_of

#: Where they are, one port after the other behind those of the shipped benches.
_ADDRESS, _FIRST_PORT = "TCPIP0::127.0.0.1::{}::SOCKET", 5041
#: Of an auxiliary supply that drives milliamperes (common practice of bench supplies).
_AUX_ACCURACY: Mapping[str, Accuracy] = {
    "voltage": Accuracy(0.0005, 0.005),
    "current": Accuracy(0.002, 20e-6),
}
_AUX_RANGE = {"voltage": "30 V", "current": "1 A"}


def bench_of_rails(profile: Profile, bench: BenchFile) -> BenchFile:
    """Return a simulated bench with a meter or load at each output that a step needs one at.

    A meter at every output that is read, where a step under power reads two; a load where one is
    set beside that of the step; an auxiliary supply where the profile has its envelope.
    """
    addresses = (_ADDRESS.format(_FIRST_PORT + number) for number in itertools.count())
    told: dict[str, object] = {}
    if bench.meter is not None:
        told["meters"] = bench.meters | {
            name: bench.meter.model_copy(update={"resource": next(addresses), "at": name})
            for name in dict.fromkeys(_read(profile))
        }
    if bench.load is not None:
        told["loads"] = bench.loads | {
            name: bench.load.model_copy(update={"resource": next(addresses), "at": name})
            for name in dict.fromkeys(_beside(profile))
        }
    if profile.envelope.aux is not None:
        told["aux"] = Aux.model_validate(
            {
                "resource": next(addresses),
                "dialect": "scpi-dc-supply",
                "calibration_due": bench.feed.calibration_due,
            }
        ).model_copy(update={"accuracy": _AUX_ACCURACY, "range": Range.model_validate(_AUX_RANGE)})
    return bench.model_copy(update=told)


def _read(profile: Profile) -> Iterator[str]:
    """Yield the outputs that are read, where a step under power reads two at least."""
    every = [list(_read_in(step, profile)) for step in profile.steps]
    if any(len({*read}) > 1 for read in every):
        yield from itertools.chain.from_iterable(every)


def _read_in(step: AnyStep, profile: Profile) -> Iterable[str]:
    """Yield the outputs at which a step under power has a voltage read by meter."""
    if Situation.COLD in step.situations:
        return
    for check in step.checks:
        if "meter.voltage_dc" in MEASURES[check.measure].made_of:
            for place in places_of(check, step, profile.unit):
                if place.output:
                    yield place.output


def _beside(profile: Profile) -> Iterator[str]:
    """Yield the outputs at which a load is set beside that of a step, and those of the steps."""
    for step in profile.steps:
        others = getattr(step, "others", {})
        yield from others
        if others:
            yield getattr(step, "output", None) or next(iter(profile.unit.output))
