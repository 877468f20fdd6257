"""``softwake rehearse --listen``: the simulated bench on loopback sockets, in real time."""

from __future__ import annotations

import contextlib
import shlex
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path

import typer

from harness.api import simulated_bench_file, simulated_unit
from harness.bench.clock import SystemClock
from harness.errors import HarnessError, UsageError
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.rehearse.server import ServedLink, Spoken, serve, socket_resource
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.stop import Interrupted, StopRequest, stop_on_signals

_HELP = (
    "type ROLE:FAULT to break a link, 'heal' to mend all, 'state' to see power, 'meter PLACE' to "
    "move the meter's leads"
)

#: Where the meter can stand.
_PLACES = ("input", "input reversed", "fuse", "bulk", "output")


def listen(
    profile: str,
    *,
    fault: str | None,
    unit_model: str | None,
    seed: int,
    link_faults: Sequence[str],
    port_base: int | None,
) -> None:
    """Serve the simulated bench of a profile until Ctrl-C; the arguments are its options.

    Raises:
        UsageError: A port is taken, or there is no such fault.
    """
    loaded = load_profile(profile)
    bench = simulated_bench_file(loaded)
    unit = simulated_unit(loaded, fault, model=unit_model, seed=seed)
    simulated = SimulatedBench(unit, bench, SystemClock(), seed=seed)
    watch = _PowerWatch(simulated)
    links = {
        role: ServedLink(simulated.devices[table.resource], role, watch.heard)
        for role, table in bench.instruments.items()
    }
    for text in link_faults:
        _inject(links, text)
    by_resource = {table.resource: links[role] for role, table in bench.instruments.items()}
    stop = StopRequest()
    with stop_on_signals(stop), contextlib.ExitStack() as stack:
        try:
            ports = stack.enter_context(serve(by_resource, _ports(bench, port_base)))
        except OSError as error:
            raise UsageError(
                f"a port cannot be listened on: {error.strerror}",
                remedy="end what holds it, or let the system choose with --port-base 0",
            ) from error
        name = stack.enter_context(_bench_to_use(bench, ports))
        for role, table in bench.instruments.items():
            typer.echo(f"{role:6} {socket_resource(ports[table.resource])}")
        typer.echo(
            f"softwake run {shlex.quote(profile)} --bench {shlex.quote(name)} "
            "--serial REHEARSAL --results results\n"
            f"Ctrl-C ends it; {_HELP}."
        )
        sys.stdout.flush()
        _take_lines(links, watch)
        with contextlib.suppress(Interrupted):
            while True:
                stop.raise_if_requested()
                time.sleep(0.1)


class _PowerWatch:
    """Tells when the supply's output goes on and off."""

    def __init__(self, simulated: SimulatedBench) -> None:
        self._simulated = simulated
        self._circuit = simulated.circuit
        self._on = False

    def heard(self, spoken: Spoken) -> None:
        """Look at the output after each message; a change is a line on the screen."""
        if self._circuit.source_on is not self._on:
            self._on = not self._on
            self.show(spoken.time_s)

    def move_meter(self, place: str) -> None:
        """Put the simulated meter's leads somewhere else, as the run asks its operator to."""
        if place not in _PLACES:
            typer.echo(f"there is no place {place!r}; there are {', '.join(_PLACES)}")
            return
        self._simulated.meter_at = place
        typer.echo(f"the meter stands across the {place}")

    def show(self, time_s: float) -> None:
        """Print the state of the output and the machine's monotonic time."""
        typer.echo(f"output {'on' if self._on else 'off'} at {time_s:.6f} s")
        sys.stdout.flush()


def _take_lines(links: Mapping[str, ServedLink], watch: _PowerWatch) -> None:
    """Take faults from standard input; at its end there are no more."""

    def raise_if_requested() -> None:
        for line in sys.stdin:
            match line.split():
                case []:
                    continue
                case ["heal"]:
                    for link in links.values():
                        link.heal()
                    typer.echo("all links are sound")
                case ["state"]:
                    watch.show(time.monotonic())
                case ["meter", *place]:
                    watch.move_meter(" ".join(place))
                case _:
                    try:
                        _inject(links, line.strip())
                    except HarnessError as error:
                        typer.echo(f"{error}; {_HELP}")
                    else:
                        typer.echo(f"injected {line.strip()}")
            sys.stdout.flush()

    threading.Thread(target=raise_if_requested, daemon=True).start()


def _inject(links: Mapping[str, ServedLink], text: str) -> None:
    """Break a link as ``ROLE:NAME``, ``ROLE:NAME+N`` or ``ROLE:NAME@TEXT`` says."""
    role, _, rest = text.partition(":")
    if role not in links or not rest:
        raise UsageError(
            f"{text!r} names no link fault",
            remedy=f"write ROLE:NAME; the roles are {', '.join(links)}, 'list' names the faults",
        )
    name, _, at = rest.partition("@")
    name, _, after = name.partition("+")
    if after and not (after.isascii() and after.isdigit()):
        raise UsageError(f"{text!r}: after + stands a number of messages")
    links[role].inject(name.strip(), after=int(after or 0), at=at)


def _ports(bench: BenchFile, base: int | None) -> dict[str, int]:
    """Return the port to listen on for each resource."""
    resources = [table.resource for table in bench.instruments.values()]
    if base is None:
        return {resource: int(resource.split("::")[2]) for resource in resources}
    return {resource: base and base + index for index, resource in enumerate(resources)}


@contextlib.contextmanager
def _bench_to_use(bench: BenchFile, ports: Mapping[str, int]) -> Iterator[str]:
    """Yield the name of a bench file with these ports; a written one is removed at the end."""
    moved = {resource: socket_resource(port) for resource, port in ports.items()}
    if all(before == after for before, after in moved.items()):
        yield bench.source
        return
    text = bench.text
    for before, after in moved.items():
        text = text.replace(f'"{before}"', f'"{after}"')
    path = Path(f"bench-listening-{next(iter(ports.values()))}.toml")
    try:
        path.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise UsageError(
            f"the bench file cannot be written: {error.strerror}",
            where=str(path),
            remedy="start in a folder that can be written to, or without --port-base",
        ) from error
    try:
        yield str(path)
    finally:
        path.unlink(missing_ok=True)
