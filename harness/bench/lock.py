"""One run per supply: whoever comes second is refused, and told who was first.

The lock is the operating system's, so it is gone with the process that held it, however that ended:
what a killed run leaves behind is a file that says who it was, and the next run writes it anew.

A run's keeper outlives it where the run is killed, or where output off is not confirmed. So the
keeper's process has a lock of its own on the same supply, and a run begins only where that is free
as well. Two plain locks, each with its process: no lock has to be handed from one process to
another, which not every system can do.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import hashlib
import json
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from harness.errors import Refused

__all__ = ["canonical", "hold_as_keeper", "hold_supply", "lock_folder"]


def lock_folder() -> Path:
    """Return the folder of the locks: the user's own, where programs keep their state."""
    from platformdirs import user_state_path

    return user_state_path("softwake", appauthor=False) / "locks"


def canonical(resource: str) -> str:
    """Return one spelling for all spellings of a resource: ``tcpip::…`` is ``TCPIP0::…``.

    A name and an address of the same host, or two interfaces of one instrument, stay two.
    """
    from pyvisa.rname import InvalidResourceName, ResourceName

    try:
        resource = str(ResourceName.from_string(resource.strip()))
    except (InvalidResourceName, ValueError):  # an alias, or a library's own kind
        resource = resource.strip()
    return resource.casefold()


@contextlib.contextmanager
def hold_supply(
    resource: str, *, serial: str, started: dt.datetime, folder: Path | None = None
) -> Iterator[None]:
    """Hold the only right to a supply while the block runs.

    Args:
        resource: VISA resource string of the supply.
        serial: Serial number of the unit, for whoever comes second.
        started: When this run started; with a time zone.
        folder: Folder of the locks; left out: :func:`lock_folder`.

    Raises:
        Refused: Another run or its keeper holds it, or there is no place for a lock.
    """
    holder = _path(resource, folder, ".json")
    with _locked(resource, folder, ".lock", lambda: _in_use(resource, holder)):
        with hold_as_keeper(resource, folder=folder):
            pass  # no keeper of an earlier run has it any more; our own comes later
        try:
            _sign(holder, resource, serial, started)
            yield
        finally:
            with contextlib.suppress(OSError):
                holder.unlink()


@contextlib.contextmanager
def hold_as_keeper(resource: str, *, folder: Path | None = None) -> Iterator[None]:
    """Hold a supply as its keeper while the block runs: for the process that switches it off.

    Args:
        resource: VISA resource string of the supply.
        folder: Folder of the locks; left out: :func:`lock_folder`.

    Raises:
        Refused: The keeper of another run holds it, or there is no place for a lock.
    """
    told = (
        f"The supply ({resource}) is still in the hands of an earlier run's keeper, which is "
        "switching it off. Wait for it, a minute at most; what comes of it stands on that run's "
        "screen."
    )
    with _locked(resource, folder, ".keeper.lock", lambda: told):
        yield


@contextlib.contextmanager
def _locked(
    resource: str, folder: Path | None, suffix: str, in_use: Callable[[], str]
) -> Iterator[None]:
    """Hold one lock of a supply while the block runs."""
    from filelock import FileLock, Timeout

    path = _path(resource, folder, suffix)
    lock = FileLock(path, timeout=0)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        lock.acquire()
    except Timeout:
        raise Refused([in_use()]) from None
    except (OSError, NotImplementedError) as error:
        reason = (
            f"Whether another run uses the supply ({resource}) cannot be told: there is no lock in "
            f"{path.parent} ({error}); make this folder writable."
        )
        raise Refused([reason]) from error
    try:
        yield
    finally:
        lock.release()


def _path(resource: str, folder: Path | None, suffix: str) -> Path:
    name = hashlib.sha256(canonical(resource).encode()).hexdigest()[:32]
    return (lock_folder() if folder is None else folder) / f"{name}{suffix}"


def _sign(holder: Path, resource: str, serial: str, started: dt.datetime) -> None:
    """Write who holds the lock; by rename, so that nobody reads half of it."""
    text = json.dumps(
        {
            "process": os.getpid(),
            "started": started.astimezone(dt.UTC).isoformat(timespec="seconds"),
            "serial": serial,
            "resource": resource,
        },
        indent=2,
    )
    draft = holder.with_suffix(".draft")
    with contextlib.suppress(OSError):  # a full disk: the lock holds without a name, too
        draft.write_text(text + "\n", encoding="utf-8")
        draft.replace(holder)


def _in_use(resource: str, holder: Path) -> str:
    """Say who holds the lock, as far as its file tells."""
    wait = "Wait for it to end, or stop it with Ctrl-C where it runs: it powers off on its way out."
    try:
        known: dict[str, Any] = json.loads(holder.read_text(encoding="utf-8"))
        process = int(known["process"])
        started = dt.datetime.fromisoformat(known["started"]).astimezone(dt.UTC)
        serial = str(known["serial"])[:100]
    except (OSError, ValueError, KeyError, TypeError):
        return f"The supply ({resource}) is in use by another run that says no more. {wait}"
    unit = f", for unit {serial}" if serial.isprintable() and serial else ""
    return (
        f"The supply ({resource}) is in use by process {process}, started "
        f"{started:%Y-%m-%d %H:%M:%S} UTC{unit}. {wait}"
    )
