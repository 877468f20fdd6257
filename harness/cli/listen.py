"""``softwake rehearse --listen``: the simulated bench on loopback sockets, in real time."""

from __future__ import annotations

import contextlib
import shlex
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import get_args

import typer

from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.bench.clock import SystemClock
from harness.errors import HarnessError, UsageError
from harness.profile.bench_file import BenchFile
from harness.profile.check import Across
from harness.profile.load import load_bench, load_profile
from harness.rehearse.server import ServedLink, Spoken, serve, socket_resource
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.operator import Interrupted, StopRequest, stop_on_signals

_HELP = (
    "type ROLE:FAULT to break a link, 'heal' to restore all links, 'state' to show power, "
    "'meter PLACE' to move the meter's leads, 'leads normal' or 'leads reversed' for the supply's"
)

#: Where the meter can stand.
_PLACES = get_args(Across)


def listen(
    profile: str,
    *,
    fault: str | None,
    unit_model: str | None,
    seed: int,
    link_faults: Sequence[str],
    port_base: int | None,
) -> None:
    """Serve the simulated bench of a profile until Ctrl-C; `UsageError` where a port is taken."""
    loaded = load_profile(profile)
    bench = simulated_bench_file(loaded)
    unit = simulated_unit(loaded, fault, model=unit_model, seed=seed)
    desk = _Desk(SimulatedBench(unit, bench, SystemClock(), seed=seed), bench)
    for text in link_faults:
        desk.inject(text)
    stop = StopRequest()
    resources = {role: table.resource for role, table in bench.instruments.items()}
    by_resource = {resource: desk.links[role] for role, resource in resources.items()}
    wanted = {
        resource: int(resource.split("::")[2]) if port_base is None else port_base and port_base + n
        for n, resource in enumerate(by_resource)
    }
    with stop_on_signals(stop), contextlib.ExitStack() as stack:
        try:
            ports = stack.enter_context(serve(by_resource, wanted))
        except OSError as error:
            raise UsageError(
                f"a port cannot be listened on: {error.strerror}",
                remedy="end what holds it, or let the system choose with --port-base 0",
            ) from error
        name = stack.enter_context(_bench_to_use(bench, ports))
        for role, resource in resources.items():
            typer.echo(f"{role:6} {socket_resource(ports[resource])}")
        practice = " --safety-record practice" if plan_for(loaded).safety.missing else ""
        typer.echo(
            f"softwake run {shlex.quote(profile)} --bench {shlex.quote(name)} "
            f"--serial REHEARSAL --results results{practice}\n"
            f"Ctrl-C ends it; {_HELP}."
        )
        sys.stdout.flush()
        threading.Thread(target=desk.take_lines, daemon=True).start()
        with contextlib.suppress(Interrupted):
            while True:
                stop.raise_if_requested()
                time.sleep(0.1)


class _Desk:
    """The simulated bench from outside: its links, what is typed, and whether power is on."""

    def __init__(self, simulated: SimulatedBench, bench: BenchFile) -> None:
        self.links = {
            role: ServedLink(simulated.devices[table.resource], role, self._heard)
            for role, table in bench.instruments.items()
        }
        self._simulated = simulated
        self._on = False

    def inject(self, text: str) -> None:
        """Break a link as ``ROLE:NAME``, ``ROLE:NAME+N`` or ``ROLE:NAME@TEXT`` says, or raise."""
        role, _, rest = text.partition(":")
        if role not in self.links or not rest:
            raise UsageError(
                f"{text!r} names no link fault",
                remedy=f"write ROLE:NAME; the roles are {', '.join(self.links)}, 'list' names the "
                "faults",
            )
        name, _, at = rest.partition("@")
        name, _, after = name.partition("+")
        if after and not (after.isascii() and after.isdigit()):
            raise UsageError(f"{text!r}: after + stands a number of messages")
        self.links[role].inject(name.strip(), after=int(after or 0), at=at)

    def take_lines(self) -> None:
        """Do what is typed, until the end of standard input."""
        for line in sys.stdin:
            match line.split():
                case []:
                    continue
                case ["heal"]:
                    for link in self.links.values():
                        link.heal()
                    typer.echo("all links are restored")
                case ["state"]:
                    self._show(time.monotonic())
                case ["meter", *words] if (place := " ".join(words)) in _PLACES:
                    self._simulated.meter_at = place  # as the run asks its operator to
                    typer.echo(f"the meter stands across the {place}")
                case ["meter", *words]:
                    place = " ".join(words)
                    typer.echo(f"there is no place {place!r}; there are {', '.join(_PLACES)}")
                case ["leads", "normal" | "reversed" as way]:
                    self._simulated.circuit.turn_leads(backwards=way == "reversed")
                    typer.echo(f"the supply's leads are {way}")
                case _:
                    self._break_as(line.strip())
            sys.stdout.flush()

    def _break_as(self, text: str) -> None:
        """Break a link as a line says, or say why not."""
        try:
            self.inject(text)
        except HarnessError as error:
            typer.echo(f"{error}; {_HELP}")
        else:
            typer.echo(f"injected {text}")

    def _heard(self, spoken: Spoken) -> None:
        """Look at the output after each message; a change is a line on the screen."""
        if self._simulated.circuit.source_on is not self._on:
            self._on = not self._on
            self._show(spoken.time_s)

    def _show(self, time_s: float) -> None:
        typer.echo(f"output {'on' if self._on else 'off'} at {time_s:.6f} s")
        sys.stdout.flush()


@contextlib.contextmanager
def _bench_to_use(bench: BenchFile, ports: Mapping[str, int]) -> Iterator[str]:
    """Yield the name of a bench file with these ports; a written one is removed at the end."""
    text = bench.text
    for before, port in ports.items():
        text = text.replace(f'"{before}"', f'"{socket_resource(port)}"')
    if text == load_bench(bench.source).text:
        yield bench.source
        return
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
