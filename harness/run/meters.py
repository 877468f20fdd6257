"""Reading what the keeper does not sample: meters, and the other instruments as a whole."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from harness.errors import InstrumentError
from harness.power.envelope import beyond
from harness.power.failures import failure_reason
from harness.power.moves import Check
from harness.power.power_times import Span
from harness.profile.measures import role_of
from harness.run.context import WHOLE, Context

#: Longest time of nothing but readings of the meter; the keeper does the same for its instruments.
_IN_SYNC_S = 0.5


def read_other(context: Context, what: str) -> tuple[float, dict[str, float]]:
    """Read a meter (``meter.QUANTITY``) or a load or power meter as a whole, into the record.

    A reading that is none cuts power, and so does one outside the envelope. Returned are its
    time on the run's clock, and values by measure name.
    """
    context.stop.raise_if_requested()
    source, _, quantity = what.partition(".")
    if source == "aux":
        values = context.host.read(source, *WHOLE[:2])
    elif source not in context.bench.readers:
        values = context.host.read(source, *([quantity] if quantity else WHOLE))
    else:
        reader = context.bench.readers[source]
        if context.clock.now_s() - context.checked_s.get(source, 0.0) >= _IN_SYNC_S:
            check_in_sync(context, source)
        context.host.expect_silence(reader.longest_s)
        try:
            values = reader.read(*([quantity] if quantity else WHOLE))
        except InstrumentError as error:
            context.host.cut(failure_reason(error), str(error))
        if source == "power_meter":
            _hold_to_envelope(context, values)
    now_s = context.take_now(source, values)
    readings = {f"{source}.{name}": value for name, value in values.items()}
    for name, value in readings.items():
        if role_of(source) == "meter" and name.endswith(".voltage_dc"):
            context.rail = name, value
    return now_s, readings


def reading_meanwhile(
    context: Context, reading: str, into: list[tuple[Span, float]]
) -> Callable[[], None]:
    """Return what reads a meter once, with the time that it took, while somebody else is at work.

    It has been read and found in sync before: it is in its function, and the next readings take no
    longer than they have to. One that is none cuts power.
    """
    key, _, quantity = reading.partition(".")
    reader = context.bench.readers[key]
    read_other(context, reading)
    check_in_sync(context, key)

    def read() -> None:
        context.stop.raise_if_requested()
        context.host.expect_silence(reader.longest_s)
        begin_s = context.clock.now_s()
        try:
            values = reader.read(quantity)
        except InstrumentError as error:
            context.host.cut(failure_reason(error), str(error))
        into.append(((begin_s, context.take_now(key, values)), values[quantity]))

    return read


def read_cold(context: Context, reading: str) -> float:
    """Read a meter once while power is off, into the record.

    Raises:
        InstrumentError: It gave no value.
    """
    context.stop.raise_if_requested()
    key, _, quantity = reading.partition(".")
    values = context.bench.readers[key].read(quantity)
    context.take_now(key, values)
    return values[quantity]


def check_in_sync(context: Context, key: str) -> None:
    """See that a reader's answers belong to their questions; one that does not cuts power."""
    reader = context.bench.readers[key]
    context.checked_s[key] = context.clock.now_s()
    context.host.expect_silence(3 * reader.longest_s)
    try:
        reader.check_in_sync()
    except InstrumentError as error:
        context.host.cut(failure_reason(error, Check(key, "identity")), str(error))


def _hold_to_envelope(context: Context, values: Mapping[str, float]) -> None:
    """Cut power where the power meter reads what the envelope does not hold (safety rule 4)."""
    envelope = context.plan.profile.envelope
    found = beyond(
        tuple(values.get(name, 0.0) for name in WHOLE),
        (envelope.voltage_v, envelope.current_a, envelope.power_w),
        by=" by the power meter",
    )
    if found is not None:
        context.host.cut(*found)
