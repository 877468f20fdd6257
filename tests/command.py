"""The command line for tests: called in this process, or started in one of its own."""

from __future__ import annotations

import contextlib
import io
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest

from harness.cli.main import main
from tests.warm_start import start_process

ROOT = Path(__file__).resolve().parents[1]

Done = subprocess.CompletedProcess[str]


def called(*words: str, cwd: Path | None = None, **environment: str) -> Done:
    """Call ``softwake`` here: a second sooner than in a process, which loads all of it anew.

    What only a process of its own shows (its standard input, signals, encodings, what it loads) is
    asked of :func:`started`.
    """
    out, err = io.StringIO(), io.StringIO()
    code: object = 0
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys, "argv", ["softwake", *words])
        patch.setenv("OPENBLAS_NUM_THREADS", "1")  # else it stays set
        patch.delenv("COLUMNS", raising=False)
        for name, value in environment.items():
            patch.setenv(name, value)
        if cwd is not None:
            patch.chdir(cwd)
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            try:
                main()
            except SystemExit as ended:
                code = ended.code or 0
    assert isinstance(code, int), code
    return _sound(Done(words, int(code), out.getvalue(), err.getvalue()))


def started(
    *words: str, cwd: Path | None = None, typed: str | None = None, **environment: str
) -> Done:
    """Start ``softwake`` in a process of its own, with nobody at its keyboard unless one types."""
    kept = {name: value for name, value in os.environ.items() if name != "COLUMNS"} | environment
    if typed is None:
        return _sound(_read_to_the_end(words, cwd or Path.cwd(), kept))
    return _sound(
        subprocess.run(
            [sys.executable, "-m", "harness", *words],
            cwd=cwd,
            env={"PYTHONPATH": str(ROOT), "PYTHONUTF8": "1", **kept},
            input=typed,
            capture_output=True,
            encoding="utf-8",
            timeout=120,
            check=False,
        )
    )


def _read_to_the_end(words: tuple[str, ...], cwd: Path, environment: dict[str, str]) -> Done:
    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err:
        process = start_process(words, cwd=cwd, stdout=out, stderr=err, environment=environment)
        code = process.wait(120)
        texts = []
        for stream in (out, err):
            stream.seek(0)
            texts.append(stream.read().decode().replace("\r\n", "\n"))
        return Done(words, code, *texts)


def _sound(done: Done) -> Done:
    """Whatever happens, the command leaves no traceback."""
    assert "Traceback" not in done.stderr, done.stderr
    assert "an error of the program" not in done.stderr, done.stderr
    return done
