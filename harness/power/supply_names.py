"""The names a supply goes by: every spelling of its resource, every address of its host.

Two resource strings that share a name lead to one instrument. Too many names in common only refuse
a second run; too few let two runs drive one supply. So a network board's number does not count, nor
does the difference between upper and lower case.
"""

from __future__ import annotations

import contextlib
import ipaddress
import os
import re
import socket
import threading

#: Longest wait for a name server.
_RESOLVE_S = 2.0
_NUMBER = re.compile(r"0x[0-9a-f]+|[0-9]+")


def names(resource: str) -> tuple[str, ...]:
    """Return every name of a resource, its plain spelling first.

    Looks the host of a network resource up, for at most two seconds; one that is not found then has
    its spelling alone.
    """
    spelling = canonical(resource)
    known = _network(resource)
    if known is None:
        return (spelling,)
    host, place = known
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
    if first.startswith("usb"):
        first = "usb"
    return "::".join([first, *map(_plain, rest)])


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

    All loopback addresses are one: this machine. So is the address of no machine, to which a
    connection leads here as well.
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
    try:
        address = ipaddress.ip_address(text.partition("%")[0])
    except ValueError:
        return text
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
        address = address.ipv4_mapped
    return "loopback" if address.is_loopback or address.is_unspecified else str(address)


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
    elif _is_address(tail):
        host, place = tail, ""
    else:
        host, _, place = tail.rpartition("::")
        host, place = (host, place) if host else (place, "")
    if kind == "instr":
        place = place.partition(",")[0] or "inst0"
    return host.strip().rstrip("."), f"{kind} {_plain(place)}"


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def _plain(field: str) -> str:
    """Return a number in its shortest spelling: ``05025`` and ``0x13a1`` are ``5025``."""
    field = field.strip()
    if not field.isascii() or len(field) > 20 or _NUMBER.fullmatch(field) is None:
        return field
    return str(int(field, 16) if field.startswith("0x") else int(field))
