"""One run per supply: whoever comes second is refused, and told who was first.

The locks are the operating system's, gone with the process that held them, however that ended; what
a killed run leaves behind is a file that says who it was. A run's keeper may outlive it, so it has
a lock of its own on the same supply, and a run begins only where both are free.

Each name a supply goes by is locked: the spelling of its resource, the addresses of its host, and,
by the keeper as soon as the supply has said it, the serial number that two interfaces of one
instrument have in common. Too many names in common only refuse a second run; too few let two runs
drive one supply. So a network board's number does not count, nor do upper and lower case.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import functools
import hashlib
import ipaddress
import json
import os
import re
import socket
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from harness.errors import Refused

_WAIT = "Wait for it to end, or stop it with Ctrl-C where it runs: it powers off on its way out."
#: So much of an identity or a serial number is shown.
_SHOWN = 80
#: Longest wait for a name server.
_RESOLVE_S = 2.0
_NUMBER = re.compile(r"0x[0-9a-f]+|[0-9]+")


def lock_folder() -> Path:
    """Return the folder of the locks: the user's own, where programs keep their state."""
    from platformdirs import user_state_path

    return user_state_path("softwake", appauthor=False) / "locks"


@contextlib.contextmanager
def hold_supply(resource: str, *, serial: str, started: dt.datetime) -> Iterator[None]:
    """Hold the only right to a supply while the block runs.

    The serial number of the unit and the start, with a time zone, are for whoever comes second.

    Raises:
        Refused: Another run or its keeper holds it, or there is no place for a lock.
    """
    holder = {
        "process": os.getpid(),
        "started": started.astimezone(dt.UTC).isoformat(timespec="seconds"),
        "serial": serial,
        "resource": resource,
    }
    paths = [_path(name) for name in names(resource)]
    with _locked(resource, paths, ".lock", functools.partial(_who, resource)):
        with hold_as_keeper(resource):
            pass  # no keeper of an earlier run has it any more; our own comes later
        with _signed(paths, holder):
            yield


@contextlib.contextmanager
def hold_as_keeper(resource: str) -> Iterator[None]:
    """Hold a supply as its keeper while the block runs: for the process that switches it off.

    Raises:
        Refused: The keeper of another run holds it, or there is no place for a lock.
    """
    told = (
        f"The supply ({resource}) is still in the hands of an earlier run's keeper, which is "
        "switching it off. Wait for it, a minute at most; what comes of it stands on that run's "
        "screen."
    )
    paths = [_path(name) for name in names(resource)]
    with _locked(resource, paths, ".keeper.lock", lambda _: told):
        yield


@contextlib.contextmanager
def hold_identity(identity: str, resource: str) -> Iterator[None]:
    """Hold the supply of this answer to ``*IDN?`` while the block runs, by whatever interface.

    For the keeper of the resource, before anything is energised. An identity without a serial
    number, or of a simulated supply, says nothing and holds nothing.

    Raises:
        Refused: Another run holds it, or there is no place for a lock.
    """
    name = of_identity(identity)
    if name is None:
        yield
        return
    paths = [_path(name)]
    who = functools.partial(_who, f"{resource}, which says it is {identity[:_SHOWN]!r}")
    with _locked(resource, paths, ".lock", who):
        run = _read(_path(names(resource)[0]))  # whose keeper this is
        with _signed(paths, {"process": os.getpid(), **run}):
            yield


@contextlib.contextmanager
def _locked(
    resource: str, paths: list[Path], suffix: str, in_use: Callable[[Path], str]
) -> Iterator[None]:
    """Hold the locks of a supply beside these files while the block runs."""
    from filelock import FileLock, Timeout

    with contextlib.ExitStack() as stack:
        for path in paths:
            lock = FileLock(path.with_suffix(suffix), timeout=0)
            try:
                path.parent.mkdir(parents=True, exist_ok=True)
                lock.acquire()
            except Timeout:
                raise Refused([in_use(path)]) from None
            except (OSError, NotImplementedError) as error:
                reason = (
                    f"Whether another run uses the supply ({resource}) cannot be told: there is no "
                    f"lock in {path.parent} ({error}); make this folder writable."
                )
                raise Refused([reason]) from error
            stack.callback(lock.release)
        yield


def _path(name: str) -> Path:
    """Return the file that says who holds a name; its locks stand beside it."""
    return lock_folder() / f"{hashlib.sha256(name.encode()).hexdigest()[:32]}.json"


@contextlib.contextmanager
def _signed(paths: list[Path], holder: dict[str, Any]) -> Iterator[None]:
    """Write who holds the locks beside these files for as long as the block runs."""
    for path in paths:
        draft = path.with_suffix(".draft")
        with contextlib.suppress(OSError):  # a full disk: the lock holds without a name, too
            draft.write_text(json.dumps(holder, indent=2) + "\n", encoding="utf-8")
            draft.replace(path)  # so that nobody reads half of it
    try:
        yield
    finally:
        for path in paths:
            with contextlib.suppress(OSError):
                path.unlink()


def _read(path: Path) -> dict[str, Any]:
    """Return what is written of a holder; nothing where that cannot be read."""
    try:
        known = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return known if isinstance(known, dict) else {}


def _who(supply: str, path: Path) -> str:
    """Say who holds a lock, as far as its file tells."""
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


# --- names


def names(resource: str) -> tuple[str, ...]:
    """Return every name of a resource: its plain spelling, then those of a host found in time."""
    spelling = canonical(resource)
    host, place = _network(resource) or ("", "")
    found = {f"{address} {place}" for address in addresses(host)}
    return (spelling, *sorted(found - {spelling}))


def canonical(resource: str) -> str:
    """Return one spelling for all spellings of a resource: ``tcpip::…`` is ``TCPIP0::…``."""
    from pyvisa.rname import InvalidResourceName, ResourceName

    known = _network(resource)
    if known is not None:
        return " ".join(known)
    text = resource.strip()
    port = re.match(r"(?i)asrl(/.*?)(?:::instr)?$", text)
    if port is not None:  # several links may lead to one serial port
        return f"asrl{os.path.realpath(port[1])}"
    try:
        text = str(ResourceName.from_string(re.sub(r"(?i)^asrlcom|^com(?=\d)", "asrl", text)))
    except (InvalidResourceName, ValueError):  # an alias, or a library's own kind
        return text.casefold()
    first, *rest = text.casefold().split("::")
    return "::".join(["usb" if first.startswith("usb") else first, *map(_plain, rest)])


def of_identity(identity: str) -> str | None:
    """Return the name of an instrument by its answer to ``*IDN?``: maker, model, serial number.

    None where it has no serial number, or is simulated: any number of those are alike.

    Source: IEEE 488.2, 10.14: four fields parted by commas, a serial number that is not known is 0.
    """
    fields = [" ".join(field.split()).casefold() for field in identity.strip().split(",")]
    if len(fields) < 3 or "simulated" in identity.casefold() or not fields[2].strip("0 -"):
        return None
    return "idn " + ",".join(fields[:3])


def addresses(host: str, longest_s: float = _RESOLVE_S) -> set[str]:
    """Return the addresses of a host; none where nobody knows it in time.

    All loopback addresses are one, this machine; so is that of no machine, which leads here too.
    """
    found: set[str] = set()

    def look(flags: int) -> bool:
        try:
            answers = socket.getaddrinfo(host, None, flags=flags)
        except (OSError, UnicodeError, LookupError):  # the last: no memory for a codec
            return False
        found.update(_address(str(answer[4][0])) for answer in answers)
        return True

    if not host or "\0" in host or look(socket.AI_NUMERICHOST):  # 127.1 is 127.0.0.1
        return found
    asking = threading.Thread(target=look, args=(0,), name="resolving", daemon=True)
    with contextlib.suppress(RuntimeError):  # no thread to be had
        asking.start()  # a name server may let us wait for a minute
        asking.join(longest_s)
    return set(found)


def _address(text: str) -> str:
    address = _ip(text.partition("%")[0])
    if isinstance(address, ipaddress.IPv6Address):
        address = address.ipv4_mapped or address
    if address is None:
        return text
    return "loopback" if address.is_loopback or address.is_unspecified else str(address)


def _ip(text: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    with contextlib.suppress(ValueError):
        return ipaddress.ip_address(text)
    return None


def _network(resource: str) -> tuple[str, str] | None:
    """Return host and port, or device, of a network resource; None for any other."""
    board, parted, tail = resource.strip().casefold().partition("::")
    if not parted or re.fullmatch(r"tcpip\d*", board) is None:
        return None
    kind = "instr"
    for ending in ("instr", "socket"):
        if tail.endswith(f"::{ending}"):
            tail, kind = tail.removesuffix(f"::{ending}"), ending
    if tail.startswith("["):  # an IPv6 address, whose colons are none of ours
        host, _, place = tail[1:].partition("]")
        place = place.removeprefix("::")
    elif _ip(tail):
        host, place = tail, ""
    else:
        host, _, place = tail.rpartition("::")
        host, place = (host, place) if host else (place, "")
    if kind == "instr":
        place = place.partition(",")[0] or "inst0"
    return host.strip().rstrip("."), f"{kind} {_plain(place)}"


def _plain(field: str) -> str:
    """Return a number in its shortest spelling: ``05025`` and ``0x13a1`` are ``5025``."""
    field = field.strip()
    if not field.isascii() or len(field) > 20 or _NUMBER.fullmatch(field) is None:
        return field
    return str(int(field, 16) if field.startswith("0x") else int(field))
