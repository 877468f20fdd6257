"""One run per supply: whoever comes second is refused, and told who was first.

The lock is the operating system's, so it is gone with the process that held it, however that ended:
what a killed run leaves behind is a file that says who it was, and the next run writes it again.

A run's keeper outlives it where the run is killed, or where output off is not confirmed. So the
keeper's process has a lock of its own on the same supply, and a run begins only where that is free
as well. Two plain locks, each with its process: no lock has to be handed from one process to
another, which not every system can do.

A supply goes by several names: :mod:`harness.power.supply_names` knows them, and each is locked.
What two interfaces of one instrument have in common, its serial number, is locked by the keeper as
soon as the supply has said it.
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
from harness.power.supply_names import names, of_identity

_WAIT = "Wait for it to end, or stop it with Ctrl-C where it runs: it powers off on its way out."
#: So much of an identity or a serial number is shown.
_SHOWN = 80


def lock_folder() -> Path:
    """Return the folder of the locks: the user's own, where programs keep their state."""
    from platformdirs import user_state_path

    return user_state_path("softwake", appauthor=False) / "locks"


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
    holder = {
        "process": os.getpid(),
        "started": started.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "serial": serial,
        "resource": resource,
    }
    with contextlib.ExitStack() as stack:
        paths = [_path(name, folder) for name in names(resource)]
        for path in paths:
            stack.enter_context(_locked(resource, path, ".lock", _who(resource, path)))
        with hold_as_keeper(resource, folder=folder):
            pass  # no keeper of an earlier run has it any more; our own comes later
        for path in paths:
            stack.enter_context(_signed(path, holder))
        yield


@contextlib.contextmanager
def hold_as_keeper(resource: str, *, folder: Path | None = None) -> Iterator[None]:
    """Hold a supply as its keeper while the block runs: for the process that switches it off.

    Raises:
        Refused: The keeper of another run holds it, or there is no place for a lock.
    """
    told = (
        f"The supply ({resource}) is still in the hands of an earlier run's keeper, which is "
        "switching it off. Wait for it, a minute at most; what comes of it stands on that run's "
        "screen."
    )
    with contextlib.ExitStack() as stack:
        for name in names(resource):
            path = _path(name, folder)
            stack.enter_context(_locked(resource, path, ".keeper.lock", lambda: told))
        yield


@contextlib.contextmanager
def hold_identity(identity: str, resource: str, *, folder: Path | None = None) -> Iterator[None]:
    """Hold the supply of this identity while the block runs, whatever the interface to it.

    For the keeper's process, before anything is energised: it holds on for as long as power may be
    on. An identity without a serial number, or of a simulated supply, says nothing and holds
    nothing.

    Args:
        identity: The answer to ``*IDN?``.
        resource: VISA resource string by which it answered; held as its keeper.
        folder: As above.

    Raises:
        Refused: Another run holds it, or there is no place for a lock.
    """
    name = of_identity(identity)
    if name is None:
        yield
        return
    path = _path(name, folder)
    who = _who(f"{resource}, which says it is {identity[:_SHOWN]!r}", path)
    with _locked(resource, path, ".lock", who):
        run = _read(_path(names(resource)[0], folder))  # whose keeper this is
        with _signed(path, {"process": os.getpid(), **run}):
            yield


@contextlib.contextmanager
def _locked(resource: str, path: Path, suffix: str, in_use: Callable[[], str]) -> Iterator[None]:
    """Hold one lock of a supply while the block runs."""
    from filelock import FileLock, Timeout

    lock = FileLock(path.with_suffix(suffix), timeout=0)
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


def _path(name: str, folder: Path | None) -> Path:
    """Return the file that says who holds a name; its locks stand beside it."""
    digest = hashlib.sha256(name.encode()).hexdigest()[:32]
    return (lock_folder() if folder is None else folder) / f"{digest}.json"


@contextlib.contextmanager
def _signed(path: Path, holder: dict[str, Any]) -> Iterator[None]:
    """Write who holds a lock for as long as the block runs.

    By rename, so that nobody reads half of it.
    """
    draft = path.with_suffix(".draft")
    with contextlib.suppress(OSError):  # a full disk: the lock holds without a name, too
        draft.write_text(json.dumps(holder, indent=2) + "\n", encoding="utf-8")
        draft.replace(path)
    try:
        yield
    finally:
        with contextlib.suppress(OSError):
            path.unlink()


def _read(path: Path) -> dict[str, Any]:
    """Return what is written of a holder; nothing where that cannot be read."""
    try:
        known = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}


def _who(supply: str, path: Path) -> Callable[[], str]:
    """Return what says who holds a lock, as far as its file tells."""

    def say() -> str:
        known = _read(path)
        try:
            process = int(known["process"])
            started = dt.datetime.fromisoformat(known["started"]).astimezone(dt.UTC)
            serial = str(known["serial"])[:_SHOWN]
        except (ValueError, KeyError, TypeError):
            return f"The supply ({supply}) is in use by another run that says no more. {_WAIT}"
        unit = f", for unit {serial}" if serial.isprintable() and serial else ""
        return (
            f"The supply ({supply}) is in use by process {process}, started "
            f"{started:%Y-%m-%d %H:%M:%S} UTC{unit}. {_WAIT}"
        )

    return say
