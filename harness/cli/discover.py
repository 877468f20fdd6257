"""``softwake bench --discover``: what is connected, who it is, and what to write for it."""

from __future__ import annotations

import datetime as dt
import functools
from pathlib import Path

from rich.text import Text

from harness.bench.discover import Found, addresses_of, dialects_at_hand, discover
from harness.cli.contents import of_connected
from harness.cli.documents import Teller
from harness.cli.tables import console, show
from harness.power.lock import hold_supply
from harness.record.csv_text import printable


def list_connected(visa: str, addresses: str, tell: Teller | None) -> None:
    """Print each instrument with its identity, the dialects that fit, and its lines."""
    hosts = addresses_of(addresses) if addresses else ()
    where = f"at this computer and in {addresses}" if addresses else "at this computer"
    show([Text(f"What is connected {where}", style="bold")])
    if not addresses:
        show(
            [Text("Add --addresses 192.0.2.0/28, your own, to look for instruments on a network.")]
        )
    reserve = functools.partial(hold_supply, serial="discovery", started=dt.datetime.now(dt.UTC))
    files = sorted(str(path) for path in Path().glob("*.toml"))
    seen = []
    for found in discover(visa, dialects_at_hand(files), reserve, hosts):
        seen.append(found)
        _show(found)
    asked = "Nothing was set, and nothing was switched on."
    show([Text(), Text(asked if seen else f"Nothing was found. {asked}")])
    if tell is not None:
        tell("connected", of_connected(seen))


def _show(found: Found) -> None:
    out = console()
    out.print(
        Text(), Text(found.identity or found.resource, style="bold"), sep="\n", soft_wrap=True
    )
    if not found.identity:
        out.print(Text(f"  {printable(found.note)}"))
        return
    others = ", ".join(found.dialects[1:])
    if not found.dialects:
        out.print(Text("  no dialect fits: softwake new dialect writes one from its manual"))
    elif others:
        out.print(Text(f"  it answers the questions of {others} as well"))
    dialect = [f'dialect = "{found.dialects[0]}"'] if found.dialects else []
    for line in (f'resource = "{found.resource}"', *dialect, *found.settings):
        out.print(Text(f"    {printable(line)}", style="bold"), soft_wrap=True)
