"""Runs in processes of their own that need not load the libraries anew.

A process that has them forks itself for each run: a second less of a core each time. What it forks
is a process as any other, with its own number, signals, working folder and standard streams, and
with a terminal of its own where it is to have one; the keeper that a run starts is started as ever.
What loading or the environment has to do with, starts the program by itself.
"""

from __future__ import annotations

import atexit
import io
import json
import os
import select
import signal
import socket
import struct
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from functools import cache
from pathlib import Path
from typing import IO

ROOT = Path(__file__).resolve().parents[1]

#: Whether a process can fork here, and hand open files on.
_CAN_FORK = hasattr(os, "fork") and hasattr(socket, "send_fds")

#: Loaded once: the command, and what a run loads before power.
_LOADED = ("harness.cli.run", "harness.cli.results", "jinja2", "pyvisa_py", "pandas", "wakepy")
_LARGEST_REQUEST = 1 << 16

#: Takes the terminal on its standard input for its own, then becomes the command.
_AT_A_TERMINAL = (
    "import os, sys; os.login_tty(0); "
    "os.execv(sys.executable, [sys.executable, '-m', 'harness', *sys.argv[1:]])"
)
_EXIT = struct.Struct("i")


def _read_at_start(environment: Mapping[str, str]) -> dict[str, str]:
    """Return what the interpreter itself reads of an environment, as it starts."""
    names = ("PYTHON", "LC_", "LANG")
    return {name: value for name, value in environment.items() if name.startswith(names)}


def _with_project(environment: Mapping[str, str]) -> dict[str, str]:
    """Return an environment in which the project is found, and all text is UTF-8."""
    path = os.pathsep.join(filter(None, (environment.get("PYTHONPATH"), str(ROOT))))
    return {"PYTHONUTF8": "1", **environment, "PYTHONPATH": path}


_OURS = _read_at_start(os.environ)


class WarmChild:
    """A forked run, as :class:`subprocess.Popen` has it."""

    def __init__(self, pid: int, status: int) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._status = status

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end and return its exit code; negative for a signal."""
        if self.returncode is None:
            if not select.select([self._status], [], [], timeout)[0]:
                raise subprocess.TimeoutExpired(f"process {self.pid}", timeout or 0.0)
            told = os.read(self._status, _EXIT.size)
            assert len(told) == _EXIT.size, "the process that forks has gone"
            os.close(self._status)
            [self.returncode] = _EXIT.unpack(told)
        return self.returncode

    def poll(self) -> int | None:
        """Return its exit code, or None while it goes on."""
        try:
            return self.wait(0.0)
        except subprocess.TimeoutExpired:
            return None

    def send_signal(self, number: int) -> None:
        """Send it a signal, if it is still there."""
        if self.poll() is None:
            os.kill(self.pid, number)

    def terminate(self) -> None:
        """Ask it to end."""
        self.send_signal(signal.SIGTERM)

    def kill(self) -> None:
        """End it at once."""
        self.send_signal(signal.SIGKILL)


Process = WarmChild | subprocess.Popen[bytes]


class _Warm:
    """This end of the process that forks."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._line, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with theirs:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.warm_start", str(theirs.fileno())],
                cwd=ROOT,
                env=_with_project(os.environ),
                stdin=subprocess.DEVNULL,
                pass_fds=[theirs.fileno()],
            )

    def close(self) -> None:
        self._line.close()
        self._process.wait()

    def start(
        self,
        words: Sequence[str],
        cwd: Path,
        environment: Mapping[str, str],
        streams: Sequence[int],
        *,
        at_terminal: bool = False,
    ) -> WarmChild:
        ours, theirs = os.pipe()
        request = {
            "words": [*words],
            "cwd": str(cwd),
            "environment": {**environment},
            "at_terminal": at_terminal,
        }
        files = [*streams, theirs]
        with self._lock:
            socket.send_fds(self._line, [json.dumps(request).encode()], files)
            os.close(theirs)
            return WarmChild(int(self._line.recv(64)), ours)


@cache
def _warm() -> _Warm:
    made = _Warm()
    atexit.register(made.close)
    return made


def start_process(
    words: Sequence[str],
    *,
    cwd: Path,
    stdout: IO[bytes],
    stderr: IO[bytes] | None = None,
    environment: Mapping[str, str] | None = None,
    stdin: Path = Path(os.devnull),
) -> Process:
    """Start ``softwake`` with these words in a process of its own; what is typed is in a file.

    Where no process can fork, or the interpreter itself is to start otherwise, the program is
    started as ever. Standard error goes where the output goes unless it has a file of its own.
    """
    environment = dict(os.environ if environment is None else environment)
    with stdin.open("rb") as typed:
        if _CAN_FORK and _read_at_start(environment) == _OURS:
            streams = [stream.fileno() for stream in (typed, stdout, stderr or stdout)]
            return _warm().start(words, cwd, environment, streams)
        return subprocess.Popen(
            [sys.executable, "-m", "harness", *words],
            cwd=cwd,
            env=_with_project(environment),
            stdin=typed,
            stdout=stdout,
            stderr=stderr or stdout,
        )


def start_at_terminal(
    words: Sequence[str], *, cwd: Path, terminal: int, environment: Mapping[str, str] | None = None
) -> Process:
    """Start ``softwake`` at a terminal, which is its own and has all its streams."""
    environment = dict(os.environ if environment is None else environment)
    if _CAN_FORK and _read_at_start(environment) == _OURS:
        return _warm().start(words, cwd, environment, [terminal] * 3, at_terminal=True)
    return subprocess.Popen(
        [sys.executable, "-c", _AT_A_TERMINAL, *words],
        cwd=cwd,
        env=_with_project(environment),
        stdin=terminal,
    )


def _serve(line: socket.socket) -> list[str] | None:
    """Fork for each request; return the words in the child, and None where no more will come."""
    children: dict[int, int] = {}
    ended, tell = os.pipe()
    os.set_blocking(tell, False)
    signal.set_wakeup_fd(tell, warn_on_full_buffer=False)
    signal.signal(signal.SIGCHLD, lambda *_: None)
    while True:
        ready, _, _ = select.select([line, ended], [], [])
        if ended in ready:
            os.read(ended, 64)
            for pid in list(children):
                found, status = os.waitpid(pid, os.WNOHANG)
                if found:
                    os.write(children[pid], _EXIT.pack(os.waitstatus_to_exitcode(status)))
                    os.close(children.pop(pid))
        if line in ready:
            asked, files, _, _ = socket.recv_fds(line, _LARGEST_REQUEST, 4)
            if not asked:
                return None
            pid = os.fork()
            if pid == 0:
                return _become(json.loads(asked), files)
            children[pid] = files.pop()
            for file in files:
                os.close(file)
            line.send(b"%d" % pid)


def _become(request: dict[str, object], files: list[int]) -> list[str]:
    """Make a process of its own of what was forked."""
    signal.set_wakeup_fd(-1)
    signal.signal(signal.SIGCHLD, signal.SIG_DFL)
    for number, file in enumerate(files[:3]):
        os.dup2(file, number)
    os.closerange(3, 1024)
    os.setsid()  # a session of its own, as of a terminal at a bench: time is shared out by sessions
    if request["at_terminal"]:
        import fcntl
        import termios

        fcntl.ioctl(0, termios.TIOCSCTTY, 0)
        # as a shell starts what is at its terminal, whatever this process was started to ignore
        signal.signal(signal.SIGINT, signal.default_int_handler)
        assert isinstance(sys.stdout, io.TextIOWrapper)
        sys.stdout.reconfigure(line_buffering=True)  # as the interpreter has it at a terminal
    os.chdir(str(request["cwd"]))
    os.environ.clear()
    os.environ.update(request["environment"])  # type: ignore[call-overload]
    return [str(word) for word in request["words"]]  # type: ignore[attr-defined]


def _main() -> None:
    import gc
    import importlib
    import random

    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for name in _LOADED:
        importlib.import_module(name)
    gc.freeze()
    with socket.socket(fileno=int(sys.argv[1])) as line:
        words = _serve(line)
        if words is None:
            return
        line.detach()  # it is closed here
    random.seed()
    sys.argv = ["softwake", *words]
    from harness.cli.main import main

    main()


if __name__ == "__main__":
    _main()
