from __future__ import annotations

import hashlib
import json
import math

import pytest

from harness.record.seal import seal_holds, sealed

FACTS = {"serial": "HRW-0007", "verdict": "fail", "released": False}
RUN = sealed(FACTS)


class TestSeal:
    def test_what_was_sealed_holds(self) -> None:
        """The bytes as they were sealed hold, and the seal is their last key."""
        assert seal_holds(RUN)
        assert list(json.loads(RUN))[-1] == "seal"

    @pytest.mark.parametrize("at", range(len(RUN)))
    def test_no_byte_can_change(self, at: int) -> None:
        """Whichever byte is another, the seal no longer holds."""
        assert not seal_holds(RUN[:at] + bytes([RUN[at] ^ 1]) + RUN[at + 1 :])

    @pytest.mark.parametrize(
        "changed",
        [
            pytest.param(RUN.replace(b'"fail"', b'"pass"'), id="another verdict"),
            pytest.param(RUN.replace(b": false", b": true"), id="another release"),
            pytest.param(RUN[:-1], id="cut short"),
            pytest.param(RUN + b"\n", id="lengthened"),
            pytest.param(b" " + RUN, id="shifted"),
            pytest.param(b"{}\n", id="no seal"),
            pytest.param(b"", id="empty"),
        ],
    )
    def test_an_edit_shows(self, changed: bytes) -> None:
        """An edited, cut or lengthened file, or one without a seal, does not hold."""
        assert changed != RUN
        assert not seal_holds(changed)

    def test_the_file_to_the_byte(self) -> None:
        """Two spaces of indentation, the seal last, a line end; the SHA-256 with zeros for it."""
        blank = (
            b'{\n  "serial": "HRW-0007",\n  "verdict": "fail",\n  "released": false,\n'
            b'  "seal": "' + b"0" * 64 + b'"\n}\n'
        )
        seal = hashlib.sha256(blank).hexdigest().encode()

        assert sealed(FACTS) == blank.replace(b"0" * 64, seal)

    def test_text_stays_readable(self) -> None:
        """Letters beyond ASCII stand as themselves; half a pair of UTF-16 as JSON's escape."""
        record = sealed({"note": "Messger\u00e4t 24 \u03a9, \udc80"})

        assert '"note": "Messger\u00e4t 24 \u03a9, \\udc80"'.encode() in record
        assert json.loads(record)["note"] == "Messger\u00e4t 24 \u03a9, \udc80"

    @pytest.mark.parametrize("number", [math.nan, math.inf, -math.inf])
    def test_what_json_has_no_number_for_is_refused(self, number: float) -> None:
        """A figure that is no number never stands in a record: RFC 8259, section 6, has none."""
        with pytest.raises(ValueError, match="JSON"):
            sealed({"value": number})

    def test_the_seal_can_be_worked_out_by_anybody(self) -> None:
        """It is the SHA-256 (FIPS 180-4) of the same bytes with 64 zeros in its place."""
        seal = json.loads(RUN)["seal"]
        blank = RUN.replace(seal.encode(), b"0" * 64)

        assert hashlib.sha256(blank).hexdigest() == seal
