"""``softwake rehearse``: the whole run on the simulated bench."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path

import typer

from harness.api import rehearse_profile
from harness.cli.documents import Teller, of_names, telling
from harness.cli.logs import kept_from_the_screen
from harness.cli.options import HERE, described
from harness.cli.record_shown import show_result
from harness.errors import UsageError
from harness.quantity import format_quantity
from harness.rehearse.faults import FAULTS
from harness.rehearse.hand_source import HANDS
from harness.run.operator import StopRequest, stop_on_signals

#: The shipped demo: the dome-shutter power unit.
DEMO = "dome-shutter-power-unit"


@described
def rehearse(  # noqa: PLR0913 - options of the command line
    profile: str = DEMO,
    *,
    fault: str | None = None,
    bench: Path | None = None,
    hand: str = "steady",
    unit_model: str | None = None,
    unit: str | None = None,
    seed: int = 1,
    serial: str | None = None,
    operator: str = "",
    results: Path = HERE,
    watch: bool = False,
    listen: bool = False,
    link_fault: list[str] | None = None,
    port_base: int | None = None,
    json: bool = False,
) -> None:
    """Rehearse a profile on the simulated bench: physics, simulated time, nothing energised."""
    if fault == "list" or (link_fault and "list" in link_fault):
        with telling(wanted=json) as tell:
            _list_faults(tell) if fault == "list" else _list_link_faults(tell)
        return
    if hand == "list":
        with telling(wanted=json) as tell:
            _print_names(HANDS) if tell is None else tell("names", of_names(HANDS))
        return
    if listen and json:
        raise UsageError(
            "--listen serves a bench and prints no table", where="--json", remedy="leave one out"
        )
    if listen and bench is not None:
        raise UsageError(
            "--listen serves the shipped bench", where="--bench", remedy="leave one out"
        )
    if listen:
        from harness.cli.listen import listen as serve_bench

        serve_bench(
            profile,
            fault=fault,
            unit_model=unit_model,
            seed=seed,
            link_faults=link_fault or (),
            port_base=port_base,
        )
        return
    if link_fault or port_base is not None:
        raise UsageError(
            "--link-fault and --port-base go with --listen only",
            remedy="add --listen, and start softwake run beside it",
        )
    stop = StopRequest()
    with telling(wanted=json) as tell:
        with (
            kept_from_the_screen(),
            stop_on_signals(stop),
            _watched(stop, wanted=watch) as watching,
        ):
            result = rehearse_profile(
                profile,
                fault=fault,
                bench=None if bench is None else str(bench),
                hand=hand,
                model=unit_model,
                seed=seed,
                serial=serial,
                operator=operator,
                unit=unit,
                results=results,
                stop=stop,
                watching=watching,
            )
        show_result(result, tell)
    raise typer.Exit(result.exit_code)


@contextlib.contextmanager
def _watched(stop: StopRequest, *, wanted: bool) -> Iterator[Callable[[Path], None] | None]:
    """Show the rehearsal as a run is shown, on the terminal and as a page, where that is wanted."""
    if not wanted:
        yield None
        return
    from harness.watch.screen import Screen
    from harness.watch.terminal import RunScreen
    from harness.watch.watching import Watching

    shown = RunScreen(Screen(), stop.by_hand)
    watching = Watching(shown, stop, page=True)
    try:
        shown.watch_keys()
        yield watching.begin
    finally:
        watching.end()


def _list_link_faults(tell: Teller | None) -> None:
    from harness.rehearse.server import LINK_FAULTS

    names = {name: fault.summary for name, fault in LINK_FAULTS.items()}
    _print_names(names) if tell is None else tell("names", of_names(names))


def _list_faults(tell: Teller | None) -> None:
    if tell is not None:
        tell("names", of_names({name: fault.summary for name, fault in FAULTS.items()}))
        return
    _print_names(
        {
            name: f"{'/'.join(sorted(fault.kinds)):5}  {fault.summary}"
            for name, fault in FAULTS.items()
        }
    )
    typer.echo("\nSeverities a unit model may give: mild, usual, severe, or a number.")
    told = {}
    for name, fault in FAULTS.items():
        if (severity := fault.severity) is not None:
            numbers = (format_quantity(one, severity.unit) for one in severity.levels)
            late = "; may come late" if fault.onset else ""
            told[name] = f"{' / '.join(numbers)}: {severity.what}{late}"
    _print_names(told)


def _print_names(told: dict[str, str]) -> None:
    width = max(map(len, told))
    for name, text in told.items():
        typer.echo(f"{name:{width}}  {text}")
