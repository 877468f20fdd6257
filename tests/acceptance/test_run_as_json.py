"""A real run whose standard output is read by a program."""

from __future__ import annotations

import json
import threading
from typing import Any

from jsonschema import Draft202012Validator

from harness.cli.documents import schema
from tests.acceptance.conftest import ROOT, Campaign, ServedBench
from tests.warm_start import start_process


def as_json(bench: ServedBench) -> tuple[int, dict[str, Any], str]:
    """Carry out `softwake run --json`; return its exit code, its document, and standard error."""
    words = [
        *("run", str(bench.profile), "--bench", str(bench.file)),
        *("--serial", "HRW-0007", "--results", str(bench.results), "--yes", "--json"),
        *("--safety-record", "ST-0007"),
    ]
    # files, no pipes: a keeper that goes on switching off may hold them for a while
    streams = [bench.file.parent / name for name in ("out.json", "err.txt")]
    with streams[0].open("wb") as out, streams[1].open("wb") as err:
        code = start_process(words, cwd=ROOT, stdout=out, stderr=err).wait(60.0)
    out_text, err_text = (stream.read_text(encoding="utf-8") for stream in streams)
    content: dict[str, Any] = json.loads(out_text)
    Draft202012Validator(json.loads(schema())).validate(content)
    return code, content, err_text


class TestRunAsJson:
    def test_a_run_that_passed(self, campaign: Campaign) -> None:
        """The document is alone on standard output; what the person sees is on standard error."""
        with campaign.bench() as bench:
            code, content, shown = as_json(bench)

        assert code == 0, shown
        assert (content["kind"], content["verdict"], content["rehearsal"]) == ("run", "pass", True)
        assert content["output"] == "off, confirmed"
        assert "POWER ON " in shown
        assert "OUTPUT OFF, CONFIRMED" in shown

    def test_power_that_may_be_on_is_an_error_and_the_mains_come_first(
        self, campaign: Campaign
    ) -> None:
        """Exit code 6, a document that says what to do, and the words for the person as ever."""
        with campaign.bench() as bench:
            injecting = threading.Thread(
                target=lambda: (
                    bench.wait(on=True, longest_s=30.0)
                    and bench.links["supply"].inject("output-stays-on")
                )
            )
            injecting.start()
            code, content, shown = as_json(bench)
            injecting.join()
            bench.links["supply"].heal()
            assert bench.wait(on=False, longest_s=5.0)

        assert (content["kind"], content["exit_code"], code) == ("error", 6, 6)
        assert "COULD NOT BE CONFIRMED" in content["what"]
        assert "by hand" in content["remedy"]
        assert "CUT THE MAINS OF THE SUPPLY NOW" in shown
