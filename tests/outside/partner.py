"""Start an outside bench in a process of its own, and look at what it saw.

    with OutsideBench(folder, {"kind": "dc", "latency_s": 0.01}) as bench:
        ...  # run something against bench.file
    bench.power_off_s(), bench.begun_s("relay-sticks")

Nothing here imports the product; the bench file it writes is text as a user would write it.
"""

from __future__ import annotations

import contextlib
import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from types import TracebackType
from typing import Any, Self

ROOT = Path(__file__).resolve().parents[2]
BENCH = Path(__file__).with_name("bench.py")

_SUPPLY = {
    "dc": """\
[supply]
kind            = "dc"
resource        = "TCPIP0::127.0.0.1::{supply}::SOCKET"
dialect         = "{dialect[supply]}"
identity        = "PS-200"
range           = {{ voltage = "60 V", current = "10 A", power = "200 W" }}
accuracy        = {{ voltage = "0.05 % + 10 mV", current = "0.2 % + 2 mA" }}
calibration_due = 2099-12-31
{states}""",
    "ac": """\
[supply]
kind             = "ac"
resource         = "TCPIP0::127.0.0.1::{supply}::SOCKET"
dialect          = "{dialect[supply]}"
identity         = "AS-300"
range            = {{ voltage = "300 V", current = "8 A", power = "1 kW" }}
averaging_window = "50 ms"
calibration_due  = 2099-12-31

[supply.accuracy]
voltage   = "0.1 % + 0.1 V"
current   = "0.2 % + 3 mA"
power     = "0.3 % + 0.2 W"
frequency = "0.01 % + 10 mHz"
""",
}
_BY_HAND = """\
[supply]
kind      = "by hand"
range     = {{ voltage = "140 V", current = "5 A" }}
frequency = "60 Hz"
lamp      = {{ voltage = "120 V", power = "100 W" }}
patience  = "{patience}"
"""
_METER = """
[{head}]{at}
resource        = "TCPIP0::127.0.0.1::{port}::SOCKET"
dialect         = "{dialect}"
identity        = "DM-60"
range           = {{ resistance = "100 Mohm" }}
calibration_due = 2099-12-31

[{head}.accuracy]
voltage_dc  = "0.02 % + 2 mV"
voltage_ac  = "0.5 % + 2 mV, 20 Hz to 300 kHz"
current_dc  = "0.1 % + 0.2 mA"
resistance  = "0.1 % + 0.1 ohm"
temperature = "1 degC"
"""
_LOAD = """
[{head}]{at}
resource        = "TCPIP0::127.0.0.1::{port}::SOCKET"
dialect         = "{dialect}"
identity        = "EL-150"
range           = {{ voltage = "80 V", current = "10 A", power = "150 W" }}
accuracy        = {{ voltage = "0.05 % + 10 mV", current = "0.1 % + 5 mA" }}
calibration_due = 2099-12-31
"""
_POWER_METER = """
[power_meter]
resource        = "TCPIP0::127.0.0.1::{power_meter}::SOCKET"
dialect         = "{dialect[power_meter]}"
identity        = "PM-30"
range           = {{ voltage = "300 V", current = "10 A" }}
accuracy        = {{ voltage = "0.1 % + 20 mV", current = "0.1 % + 2 mA", power = "0.2 % + 0.1 W" }}
calibration_due = 2099-12-31
"""
_SWITCH = """
[switch]
resource = "TCPIP0::127.0.0.1::{switch}::SOCKET"
dialect  = "{dialect[switch]}"
range    = {{ voltage = "300 V", current = "16 A" }}
"""
_AUX = """
[aux]
resource        = "TCPIP0::127.0.0.1::{aux}::SOCKET"
dialect         = "{dialect[aux]}"
identity        = "PS-30"
range           = {{ voltage = "30 V", current = "1 A" }}
accuracy        = {{ voltage = "0.05 % + 5 mV", current = "0.2 % + 50 uA" }}
calibration_due = 2099-12-31
"""
#: Testers that a person holds; no link leads to them.
_TESTERS = """
[testers.insulation]
name            = "Insulation tester, 500 V DC"
serial          = "OUTSIDE-1"
calibration_due = 2099-12-31
accuracy        = { resistance = "5 % + 50 kohm" }

[testers.leakage]
name            = "Leakage current tester"
serial          = "OUTSIDE-2"
calibration_due = 2099-12-31
accuracy        = { current = "5 % + 5 uA" }

[testers.earth]
name            = "Protective-conductor tester, 10 A"
serial          = "OUTSIDE-3"
calibration_due = 2099-12-31
accuracy        = { resistance = "5 % + 2 mohm" }
"""


class OutsideBench:
    """A bench in a process of its own, as a context.

    Args:
        folder: Made if need be; configuration, log and bench file go there.
        config: See :mod:`tests.outside.bench`.
        dialects: By role; left out: the stock ones.

    Attributes:
        file: The bench file.
        ports: By role, and ``control``.
        log: Every event, once the context is left.
    """

    def __init__(
        self,
        folder: Path,
        config: dict[str, Any] | None = None,
        *,
        dialects: dict[str, str] | None = None,
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._folder = folder
        self._config = {"log": str(folder / "bench.jsonl"), **(config or {})}
        kind = self._config.get("kind", "dc")
        stock = "scpi-ac-source" if kind == "ac" else "scpi-dc-supply"
        self._dialects = {"supply": stock, "meter": "scpi-meter", "load": "scpi-load"}
        self._dialects |= {"power_meter": "scpi-power-meter", "switch": "scpi-switch"}
        self._dialects |= {"aux": "scpi-dc-supply"} | (dialects or {})
        self.file = folder / "bench.toml"
        self.ports: dict[str, int] = {}
        self.log: list[dict[str, Any]] = []

    def __enter__(self) -> Self:
        """Start it and wait for its ports."""
        path = self._folder / "outside.json"
        path.write_text(json.dumps(self._config), encoding="utf-8")
        self._process = subprocess.Popen(
            [sys.executable, "-S", str(BENCH), "--config", str(path)],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            start_new_session=True,
        )
        assert self._process.stdout is not None
        self.ports = json.loads(self._process.stdout.readline())
        kind = self._config.get("kind", "dc")
        text = 'name = "Outside bench"\nvisa = "@py"\n\n'
        text += _BY_HAND if "hand" in self._config else _SUPPLY[kind]
        text += _POWER_METER if "power_meter" in self.ports else ""
        text += _SWITCH if "switch" in self.ports else ""
        text += _AUX if "aux" in self.ports else ""
        patience = self._config.get("hand", {}).get("patience", "30 s")
        states = self._config.get("states", "")
        text = text.format(**self.ports, dialect=self._dialects, patience=patience, states=states)
        text += "".join(self._at_outputs())
        text += _TESTERS if "camera" in self._config else ""
        self.file.write_text(text, encoding="utf-8")
        return self

    def _at_outputs(self) -> Iterator[str]:
        """Yield the tables of meters and loads: those moved by hand, and those wired for good."""
        for key, port in self.ports.items():
            role, _, name = key.partition(" ")
            like = {"meter": _METER, "load": _LOAD}.get(role)
            if like is not None:
                head = f"{role}s.{name}" if name else role
                at = f'\nat              = "{name}"' if name else ""
                yield like.format(head=head, at=at, port=port, dialect=self._dialects[role])

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """End it and read its log."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        with contextlib.suppress(OSError):
            self._process.stdin.close()
        try:
            self._process.wait(timeout=10.0)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait()
        self._process.stdout.close()
        path = Path(self._config["log"])
        lines = path.read_text(encoding="utf-8").splitlines() if path.exists() else []
        self.log = [json.loads(line) for line in lines]

    def control(self, do: str, **keys: Any) -> dict[str, Any]:
        """Say something to the control socket; return its answer."""
        with socket.create_connection(("127.0.0.1", self.ports["control"]), timeout=5.0) as sock:
            sock.sendall(json.dumps({"do": do, **keys}).encode() + b"\n")
            with sock.makefile("r", encoding="utf-8") as file:
                answer: dict[str, Any] = json.loads(file.readline())
                return answer

    def wait(self, so: Callable[[dict[str, Any]], bool], longest_s: float = 30.0) -> bool:
        """Wait until its state is so; False if it is not in time."""
        end_s = time.monotonic() + longest_s
        while not so(self.control("state")):
            if time.monotonic() > end_s:
                return False
            time.sleep(0.02)
        return True

    def say(self, role: str, *messages: str) -> list[str]:
        """Be a client: send messages to an instrument; return what the questions are answered."""
        with socket.create_connection(("127.0.0.1", self.ports[role]), timeout=5.0) as sock:
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            file = sock.makefile("r", encoding="utf-8")
            answers = []
            for message in messages:
                sock.sendall(message.encode() + b"\n")
                if "?" in message:
                    answers.append(file.readline().rstrip("\n"))
            file.close()
            return answers

    def events(self, what: str, **keys: Any) -> list[dict[str, Any]]:
        """Return the events of a kind whose keys have these values; after the end."""
        return [
            event
            for event in self.log
            if event["what"] == what and all(event.get(key) == keys[key] for key in keys)
        ]

    @property
    def was_on(self) -> bool:
        """Whether power was ever on."""
        return bool(self.events("power", on=True))

    @property
    def left_on(self) -> bool:
        """Whether power was on when the bench ended."""
        return bool(self.events("left-on"))

    def on_after_s(self, name: str) -> float:
        """Return how long power was on after a misbehaviour began; infinite if it stayed on."""
        begun_s = self.events("misbehaviour", name=name)[0]["t"]
        offs = [event["t"] for event in self.events("power", on=False) if event["t"] > begun_s]
        return min(offs) - begun_s if offs else float("inf")
