"""An outside bench: SCPI instruments over loopback TCP in real time, with a unit that is computed.

It is the partner that was not written by the product: it imports nothing of it, speaks SCPI-1999 as
a strict instrument does (:mod:`tests.outside.scpi`), and has a solver of its own
(:mod:`tests.outside.circuits`, compared with ngspice in ``test_outside_circuits.py``).

    python tests/outside/bench.py --config bench.json

The configuration, JSON; every key may be left out::

    {
      "kind": "dc",                    # or "ac"
      "meter": true, "load": true,     # which instruments there are besides the supply
      "latency_s": 0.0,                # per answer: a number, or {"supply": 0.01, ...}
      "states": "",                    # further lines of a DC supply's table in the bench file
      "meter_at": "rail",              # or "supply": across the supply's output
      "seed": 1,                       # of noise and errors
      "unit": {"bulk_f": 470e-6, ...}, # fields of DcParts or AcParts, and of
                                       # ConverterParts; what is left out is the healthy unit's
      "supply": {"noise_v": 1e-3, "noise_a": 3e-4, "most_v": 60, "most_a": 10},
      "hand": {"does": "turns"},       # a source set by hand in the supply's place: see hand.py
      "charger": {"current_a": 2.0, ...},   # a charger and an auxiliary supply: see charger.py
      "camera": {},                    # two rails behind a boost stage: see camera.py
      "controller": {},                # a digital board without outputs: see controller.py
      "misbehaviours": [{"name": "relay-sticks"}, ...],   # see misbehaviour.py
      "log": "bench.jsonl",            # what happened; left out: kept for the control socket only
      "messages": false,               # log every message and answer as well
      "ports": {"supply": 0}           # left out or 0: any free one
    }

The first line on its standard output is JSON with the ports: ``{"supply": 40001, "meter": ...,
"load": ..., "control": ...}``. It ends when its standard input is closed, or on the word of the
control socket.

The log is JSON, one event a line, each with ``t``, the machine's monotonic clock in seconds:

==================  ===============================================================================
``what``            further keys
==================  ===============================================================================
``power``           ``on``: the source was truly connected or opened; with ``on = false`` also
                    ``charge_c``, ``energy_j``, ``i2t_a2s``, ``highest_a`` let through since it
                    came on
``told``            ``on``: the supply was told to switch (a relay that sticks does not follow)
``set``             ``voltage_v`` or ``limit_a``
``load``            ``on``; ``at``, where there are several
``aux``             ``on``: the auxiliary supply's output
``probe``           ``at``: where the moved meter's leads are; ``live``: whether the unit had power
``boots``           a digital board's reset has ended: ``count`` of them
``battery``         ``there``; ``live``: whether the unit had power; ``charged``, of its capacity
``misbehaviour``    ``name`` and its keys; ``misbehaviour-over``
``protection``      the supply's own over-voltage protection opened the output
``interrupted``     ``who``: a message came before the answer to the last was read (-410)
``error``           ``who``, ``message``, ``peer``: a message that put something in the error queue
``said``            ``who``, ``message``, ``answer`` (only with ``messages``)
``tail``            ``last``: the last 200 messages with their times; written at the end
==================  ===============================================================================

The control socket takes one JSON object a line and answers one a line: ``{"do": "state"}`` (true
voltages and currents), ``{"do": "log"}``, ``{"do": "quit"}``, ``{"do": "misbehave", "name": ...}``.

Message exchange (IEEE 488.2, 6.3): one message at a time, ended by LF; an answer leaves after its
latency; a message that arrives before the answer to the last has left makes that answer void, and
queues -410 (Query INTERRUPTED). Several clients may be connected to one instrument.

In Python use :class:`tests.outside.partner.OutsideBench`, which starts it and writes a bench file.
"""

from __future__ import annotations

import argparse
import dataclasses
import heapq
import json
import select
import socket
import sys
import threading
import time
from collections import deque
from collections.abc import Iterator
from pathlib import Path
from typing import Any

if __package__ in {None, ""}:  # started as a file
    sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.outside.boosted import BoostedCircuit
from tests.outside.camera import CASE_C, MovedLeads, make_supply, wired
from tests.outside.charger import AuxInstrument, Charger
from tests.outside.circuits import AcCircuit, AcParts, DcCircuit, DcParts
from tests.outside.controller import Controller
from tests.outside.converter import Converter, ConverterParts
from tests.outside.feed import PowerMeterInstrument, SwitchInstrument
from tests.outside.hand import HandFeed
from tests.outside.instruments import (
    Instrument,
    LoadInstrument,
    MeterInstrument,
    Probe,
    SupplyInstrument,
)
from tests.outside.misbehaviour import Misbehaviours

#: The healthy units: a controller board on 24 V DC, a power unit on 120 V AC.
DC_UNIT = {
    "bulk_f": 470e-6,
    "start_v": 8.0,
    "stop_v": 6.5,
    "soft_start_s": 0.02,
    "idle_w": 0.6,
    "loss_frac": 0.12,
    "rail_v": 5.02,
    "rail_ohm": 0.01,
}
AC_UNIT = {
    "bulk_f": 150e-6,
    "start_v": 85.0,
    "stop_v": 70.0,
    "soft_start_s": 0.03,
    "idle_w": 1.7,
    "loss_frac": 0.14,
    "rail_v": 24.05,
    "rail_ohm": 0.02,
    "bleed_ohm": 4.7e3,
}
#: A digital board on 12 V DC.
BOARD = {
    "bulk_f": 1020e-6,
    "bulk_ohm": 0.06,
    "diode_v": 0.4,
    "start_v": 6.8,
    "stop_v": 5.2,
    "soft_start_s": 0.008,
    "idle_w": 0.42,
    "loss_frac": 0.18,
    "rail_v": 3.3,
    "rail_f": 220e-6,
}


def make_circuit(config: dict[str, Any], now_s: float) -> DcCircuit | AcCircuit:
    """Build the circuit of a configuration."""
    if "camera" in config:
        return make_supply(config, now_s)
    ac = config.get("kind", "dc") == "ac"
    board = config.get("controller")
    healthy = AC_UNIT if ac else DC_UNIT if board is None else BOARD
    values = {**healthy, **config.get("unit", {})}
    feed = AcParts if ac else DcParts
    names = {field.name for field in dataclasses.fields(feed)}
    parts = feed(**{key: value for key, value in values.items() if key in names})
    rest = {key: value for key, value in values.items() if key not in names}
    seed, table = config.get("seed", 1), config.get("charger")
    built = ConverterParts(**rest)
    if board is not None:
        assert isinstance(parts, DcParts)
        return board_circuit(parts, Controller(built, seed, board), now_s)
    converter = Converter(built, seed) if table is None else Charger(built, seed, table)
    return (AcCircuit if ac else DcCircuit)(parts, converter, now_s)


def board_circuit(parts: DcParts, board: Controller, now_s: float) -> DcCircuit:
    """Return a digital board's circuit: a shorted switch or suppressor are faults before it."""
    if board.board.shorted:
        parts = dataclasses.replace(parts, bulk_f=parts.bulk_f + board.parts.rail_f)
    circuit = DcCircuit(parts, board, now_s)
    if board.board.suppressor_ohm is not None:
        circuit.short_ohm = board.board.suppressor_ohm
    return circuit


@dataclasses.dataclass
class _Connection:
    who: str
    sock: socket.socket
    received: bytes = b""
    #: Number of the answer that has not left yet.
    pending: int | None = None


class Bench:
    """The server: one thread, one ``select``."""

    def __init__(self, config: dict[str, Any]) -> None:
        now_s = time.monotonic()
        self._log: list[dict[str, Any]] = []
        self._file = None
        if "log" in config:
            self._file = Path(config["log"]).open("a", encoding="utf-8")  # noqa: SIM115
        self._tail: deque[tuple[float, str, str, str | None]] = deque(maxlen=200)
        self._messages = config.get("messages", False)
        latency = config.get("latency_s", 0.0)
        self.circuit = make_circuit(config, now_s)
        self._odd = Misbehaviours([], now_s, self._note)
        seed = config.get("seed", 1)
        supply: Any
        self._instruments: dict[str, Any] = {}
        self._hand: HandFeed | None = None
        if "hand" in config:  # in the supply's place, and no link leads to it
            assert isinstance(self.circuit, AcCircuit)
            supply = self._hand = HandFeed(self.circuit, config["hand"], self._note)
        else:
            table = config.get("supply", {})
            supply = SupplyInstrument(self.circuit, table, self._odd, self._note, seed)
            self._instruments["supply"] = supply
        self._supply = supply
        self._leads: MovedLeads | Controller | None = None
        if isinstance(self.circuit, BoostedCircuit):
            self._leads = MovedLeads(self.circuit, config["camera"].get("case_c", CASE_C))
            self._instruments |= wired(self.circuit, self._leads, self._odd, self._note, seed)
        else:
            self._instruments |= self._wired(config, seed)
            if isinstance(self.circuit.converter, Controller):
                self._leads = self.circuit.converter
                self._leads.note = self._note
        self._latency_s = {
            role: latency.get(role, 0.0) if isinstance(latency, dict) else latency
            for role in self._instruments
        }
        self._odd.begins, self._odd.ends = self._begin, self._end
        for table in config.get("misbehaviours", []):
            self._odd.take(table, now_s)
        self._late: dict[str, float] = {}
        self._due: list[tuple[float, int, _Connection, bytes]] = []
        self._count = 0
        self._running = True
        self._ports = config.get("ports", {})
        self._listeners: dict[socket.socket, str] = {}
        self._connections: dict[socket.socket, _Connection] = {}

    def _wired(self, config: dict[str, Any], seed: int) -> Iterator[tuple[str, Instrument]]:
        """Yield the instruments besides the supply, at a unit with one output."""
        circuit, odd = self.circuit, self._odd
        rail = circuit.converter
        if config.get("meter", True):
            probe = self._probe(config.get("meter_at", "rail"))
            yield "meter", MeterInstrument(probe, odd, seed + 1)
        if config.get("load", True):
            yield "load", LoadInstrument(circuit, rail, odd, self._note, seed + 2)
        if config.get("power_meter", False):
            yield "power_meter", PowerMeterInstrument(circuit, odd, seed + 3)
        if config.get("switch", False):
            yield "switch", SwitchInstrument(self._supply, odd, self._note)
        if isinstance(rail, Charger) and config.get("aux", True):
            yield "aux", AuxInstrument(rail, odd, self._note, seed + 4)

    def _probe(self, at: str) -> Probe:
        """Return what the meter touches: the rail, or the terminals of the supply."""
        circuit, rail = self.circuit, self.circuit.converter
        if isinstance(rail, Controller):
            return rail.probe
        if at == "rail":
            amps = lambda: getattr(rail, "given_a", 0.0)  # noqa: E731
            return Probe(lambda: rail.rail_v, rail.ripple_v, amps)
        terminals = lambda: getattr(circuit, "terminal_v", 0.0)  # noqa: E731
        return Probe(terminals, rail.ripple_v)

    def open(self) -> None:
        """Listen; from here on clients can connect."""
        self._listeners = {
            self._listen(self._ports.get(role, 0)): role for role in (*self._instruments, "control")
        }
        self._wake, self._waker = socket.socketpair()

    @property
    def ports(self) -> dict[str, int]:
        """Port by instrument, and that of the control socket."""
        return {role: sock.getsockname()[1] for sock, role in self._listeners.items()}

    @staticmethod
    def _listen(port: int) -> socket.socket:
        sock = socket.create_server(("127.0.0.1", port))
        sock.settimeout(0.0)
        return sock

    def stop(self) -> None:
        """Make :meth:`serve` return; from any thread."""
        self._running = False
        self._waker.send(b"x")

    def serve(self) -> None:
        """Answer until it is stopped."""
        while self._running:
            readable, _, _ = select.select(
                [self._wake, *self._listeners, *self._connections], [], [], self._rest_s()
            )
            self._odd.move(time.monotonic())
            for sock in readable:
                if sock in self._listeners:
                    self._accept(sock)
                elif sock is not self._wake:
                    self._read(self._connections[sock])
            self._send_due()
        if self.circuit.on:
            self._advance()
            self._note("left-on")
        self._note("tail", last=list(self._tail))
        for sock in (*self._connections, *self._listeners, self._wake, self._waker):
            sock.close()
        if self._file is not None:
            self._file.close()

    def _rest_s(self) -> float:
        times = [entry[0] for entry in self._due[:1]]
        if (next_s := self._odd.next_s()) is not None:
            times.append(next_s)
        rest_s = min(times) - time.monotonic() if times else 0.2
        return min(0.2, max(0.0, rest_s))

    # --- links

    def _accept(self, listener: socket.socket) -> None:
        sock, _ = listener.accept()
        sock.settimeout(0.0)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._connections[sock] = _Connection(self._listeners[listener], sock)

    def _read(self, connection: _Connection) -> None:
        try:
            got = connection.sock.recv(65536)
        except BlockingIOError:
            return
        except OSError:
            got = b""
        if not got:
            self._connections.pop(connection.sock).sock.close()
            connection.pending = None
            return
        connection.received += got
        while b"\n" in connection.received:
            line, connection.received = connection.received.split(b"\n", 1)
            text = line.decode("latin-1").rstrip("\r")
            if connection.who == "control":
                self._send(connection, json.dumps(self._control(text)).encode() + b"\n")
            else:
                self._message(connection, text)

    def _message(self, connection: _Connection, text: str) -> None:
        who = connection.who
        device = self._instruments[who].device
        if connection.pending is not None:
            connection.pending = None
            device.error(-410)
            self._note("interrupted", who=who, message=text)
        now_s = self._advance()
        errors = len(device.errors)
        answer = device.handle(text)
        if len(device.errors) > errors:
            self._note("error", who=who, message=text, peer=connection.sock.getpeername())
        if who == "supply":
            self._supply.watch()
        self._tail.append((now_s, who, text, answer))
        if self._messages:
            self._note("said", who=who, message=text, answer=answer)
        silent = self._odd.on.get("silent")
        if answer is None or (silent is not None and silent.get("who", "supply") == who):
            return
        if who == "supply" and "commas-between-answers" in self._odd.on:
            answer = answer.replace(";", ",") if not text.startswith("*IDN") else answer
        latency_s = self._latency_s[who] + self._late.pop(who, 0.0)
        data = answer.encode() + b"\n"
        if latency_s <= 0.0:
            self._send(connection, data)
            return
        self._count += 1
        connection.pending = self._count
        heapq.heappush(self._due, (now_s + latency_s, self._count, connection, data))

    def _send_due(self) -> None:
        while self._due and self._due[0][0] <= time.monotonic():
            _, number, connection, data = heapq.heappop(self._due)
            if connection.pending == number:
                connection.pending = None
                self._send(connection, data)

    @staticmethod
    def _send(connection: _Connection, data: bytes) -> None:
        try:
            connection.sock.sendall(data)
        except OSError:
            return  # the reader finds the end

    # --- what happens

    def _advance(self) -> float:
        now_s = time.monotonic()
        if self._hand is not None:
            self._hand.move(now_s)
        self.circuit.advance(now_s)
        return now_s

    def _note(self, what: str, **keys: Any) -> None:
        if what == "power" and not keys["on"]:
            keys |= dataclasses.asdict(self.circuit.ledger)
        entry = {"t": time.monotonic(), "what": what, **keys}
        self._log.append(entry)
        if self._file is not None:
            self._file.write(json.dumps(entry) + "\n")
            if what != "said":
                self._file.flush()

    def _begin(self, table: dict[str, Any]) -> None:
        self._advance()
        circuit, converter = self.circuit, self.circuit.converter
        match table["name"]:
            case "rail-falls" | "rail-falls-behind-frozen-meter":
                converter.fallen_to_v = table.get("to_v", 4.0)
                if table["name"] == "rail-falls-behind-frozen-meter":
                    self._odd.on["meter-readings-frozen"] = table
            case "voltage-drifts":
                circuit.drift_to(table["to_v"], table.get("over_s", 0.0))
            case "limit-changes":
                circuit.limit_a = table.get("to_a", 5.0)
            case "setting-changes":
                circuit.set_v = table["to_v"]
            case "slow-answer-once":
                self._late[table.get("who", "supply")] = table.get("late_s", 0.3)
            case "short-circuit":
                circuit.short_ohm = table.get("ohm", 0.4)
            case "more-power":
                converter.extra_w = table.get("power_w", 2.0)

    def _end(self, table: dict[str, Any]) -> None:
        self._advance()
        match table["name"]:
            case "voltage-drifts":
                self.circuit.stop_drifting()
            case "rail-falls":
                self.circuit.converter.fallen_to_v = None
            case "more-power":
                self.circuit.converter.extra_w = 0.0
            case "short-circuit":
                self.circuit.short_ohm = float("inf")

    def _control(self, text: str) -> dict[str, Any]:
        asked = json.loads(text)
        now_s = self._advance()
        match asked.pop("do"):
            case "misbehave":
                self._odd.take(asked, now_s)
                self._odd.move(now_s)
                return {"t": now_s}
            case "log":
                return {"log": self._log}
            case "turn" if self._hand is not None:
                self._hand.turn(asked["to_v"])
                return {"t": now_s}
            case "discharge" if not self.circuit.on:  # through a resistor, and waited for
                self.circuit.bulk_v = 0.0
                return {"t": now_s}
            case "look" if isinstance(self.circuit.converter, Controller):
                return {"t": now_s, "indicator": self.circuit.converter.indicator(now_s)}
            case "battery" if isinstance(self.circuit.converter, Charger):
                charger, there = self.circuit.converter, asked["there"]
                charger.connect(there=there)
                charged = charger.battery.charged
                self._note("battery", there=there, live=self.circuit.on, charged=charged)
                return {"t": now_s}
            case "probe" if self._leads is not None:
                self._leads.at = asked["at"]
                self._note("probe", at=asked["at"], live=self.circuit.on)
                return {"t": now_s}
            case "quit":
                self._running = False
                return {"t": now_s}
            case "state":
                circuit = self.circuit
                dc = isinstance(circuit, DcCircuit)
                volts, amps, watts = (
                    (circuit.terminal_v, circuit.current_a, circuit.power_w)
                    if dc
                    else circuit.means()
                )
                return {
                    "t": now_s,
                    "on": circuit.on,
                    "said_on": self._supply.output,
                    "set_v": circuit.set_v,
                    "limit_a": circuit.limit_a,
                    "voltage_v": volts,
                    "current_a": amps,
                    "power_w": watts,
                    "bulk_v": circuit.bulk_v,
                    "rail_v": circuit.converter.rail_v,
                    "running": circuit.converter.running,
                    "misbehaving": sorted(self._odd.on),
                    **dataclasses.asdict(circuit.ledger),
                }
            case other:
                return {"error": f"{other!r} is not known"}


def main() -> None:
    """Serve the bench of a configuration until standard input ends."""
    parser = argparse.ArgumentParser(description="Serve an outside bench on loopback TCP.")
    parser.add_argument("--config", type=Path, help="JSON file; see the head of this file")
    config = parser.parse_args().config
    bench = Bench(json.loads(config.read_text(encoding="utf-8")) if config else {})
    bench.open()
    print(json.dumps(bench.ports), flush=True)  # noqa: T201 - the first line is the answer

    def until_closed() -> None:
        sys.stdin.buffer.read()
        bench.stop()

    threading.Thread(target=until_closed, daemon=True).start()
    bench.serve()


if __name__ == "__main__":
    main()
