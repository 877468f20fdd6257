"""The shipped simulated bench, with the further instruments that a profile needs for its unit."""

from __future__ import annotations

import hashlib
import itertools
import re
import tomllib
from collections.abc import Iterable, Iterator

from harness.files.named_file import validated
from harness.files.text_file import TomlFile
from harness.judge.start_draw import SWITCH_ON_CURRENT
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.bench_rules import bench_errors
from harness.profile.instruments import Tester
from harness.profile.load import load_bench
from harness.profile.measures import MEASURES, TESTER_READINGS, Situation
from harness.profile.schema import Profile
from harness.profile.step import AnyStep
from harness.profile.wiring import places_of

#: The shipped benches a rehearsal uses, by the kind of the unit's input.
_BENCHES = {"dc": "bench-simulated-dc", "ac": "bench-simulated-ac"}
#: How exact a simulated tester is that the shipped bench does not name: common practice.
_OF_A_TESTER = Accuracy(reading_frac=0.05, fixed=0.0)
#: Where they are, one port after the other behind those of the shipped benches.
_ADDRESS, _FIRST_PORT = "TCPIP0::127.0.0.1::{}::SOCKET", 5041
_HEAD = re.compile(r"\[([\w.]+)\]")
_RESOURCE = re.compile(r"^(resource\s*=\s*).*$", re.MULTILINE)
#: An auxiliary supply that drives milliamperes (common practice of bench supplies).
_AUX = """
[aux]
resource        = "{}"
dialect         = "scpi-dc-supply"
identity        = "PS-200"
range           = {{ voltage = "30 V", current = "1 A" }}
accuracy        = {{ voltage = "0.05 % + 5 mV", current = "0.2 % + 20 uA" }}
calibration_due = 2099-12-31
"""
#: What makes the shipped AC source one that holds its peak, as exact as such sources are (common
#: practice).
_HOLDS_PEAK = ('"scpi-ac-source"', '"scpi-ac-source-peak"')
_PEAK_KNOWN = ("[supply.accuracy] ", '[supply.accuracy]\ncurrent_peak = "1 % + 50 mA"\n#')


def bench_that_fits(profile: Profile) -> BenchFile:
    """Return the shipped simulated bench with whatever a profile needs.

    Whatever tester the profile has somebody read, it has one; and where its steps need several
    instruments at several outputs, or an auxiliary supply, these as well.
    """
    bench = load_bench(_BENCHES[profile.fed.input.kind])
    checks = [check for check in profile.checks if check.tester]
    testers = {
        str(check.tester): Tester(
            name=f"simulated tester for {check.tester}",
            serial="SIMULATED",
            calibration_due=bench.feed.calibration_due,
            accuracy=dict.fromkeys(TESTER_READINGS, _OF_A_TESTER) if check.accuracy is None else {},
        )
        for check in checks
    }
    several = bench_of_rails(profile, bench)
    return several.model_copy(update={"testers": {**testers, **bench.testers}})


def bench_of_rails(profile: Profile, bench: BenchFile) -> BenchFile:
    """Return a simulated bench with a meter or load at each output that a step needs one at.

    A meter at every output that is read, where a step under power reads two; a load where one is
    set beside that of the step; an auxiliary supply where the profile has its envelope; an AC
    source that holds its peak where a check judges the switch-on current. Its text has them, as if
    somebody had written them behind the shipped ones.
    """
    text = "".join([_holding_peak(profile, bench), *_tables(profile, bench)])
    if text == bench.text:
        return bench
    digest = hashlib.sha256(text.encode()).hexdigest()
    file = TomlFile(name=bench.source, text=text, sha256=digest, data=tomllib.loads(text))
    return validated(file, BenchFile, rules=bench_errors)


def _holding_peak(profile: Profile, bench: BenchFile) -> str:
    """Return the text of the bench, its AC source one that holds its peak where that is judged."""
    if all(check.measure != SWITCH_ON_CURRENT for check in profile.checks):
        return bench.text
    return bench.text.replace(*_HOLDS_PEAK).replace(*_PEAK_KNOWN)


def _tables(profile: Profile, bench: BenchFile) -> Iterator[str]:
    """Yield the text of each further instrument."""
    addresses = (_ADDRESS.format(_FIRST_PORT + number) for number in itertools.count())
    for role, wanted in (("meter", _read(profile)), ("load", _beside(profile))):
        like = _text_of(role, bench.text)
        for name in dict.fromkeys(wanted) if like else ():
            table = like.replace(f"[{role}", f"[{role}s.{name}")
            resource = f'\\g<1>"{next(addresses)}"\nat              = "{name}"'
            yield "\n" + _RESOURCE.sub(resource, table, count=1)
    if profile.envelope.aux is not None:
        yield _AUX.format(next(addresses))


def _text_of(role: str, text: str) -> str:
    """Return the lines of a bench file that are an instrument's, its tables with their heads."""
    inside, lines = False, []
    for line in text.splitlines():
        head = _HEAD.match(line)
        if head is not None:
            inside = head[1].split(".")[0] == role
        if inside and line.strip() and not line.startswith("#"):
            lines.append(f"{line}\n")
    return "".join(lines)


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
