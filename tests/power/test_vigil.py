from __future__ import annotations

import pytest

from harness.bench.clock import awake_s, elapsed_s
from harness.power.attention import Lookout, Silence, Vigil

#: What passes on either clock between two looks, and what is found.
LOOKS = [
    (0.05, 0.05, None),
    (0.5, 0.5, None),
    (2.0, 2.0, None),
    (2.01, 2.01, "for 2.01 s: the program got no time to run"),
    (20.0, 20.0, "for 20 s: the program got no time to run"),
    (0.05, 0.24, None),  # the coarsest clock moves in steps
    (0.05, 0.3, "for 0.3 s: the computer slept"),
    (0.05, 20.0, "for 20 s: the computer slept"),
    (5.0, 3605.0, "for 3605 s: the computer slept"),
]


class TestVigil:
    @pytest.mark.parametrize(("awake", "elapsed", "found"), LOOKS)
    def test_a_gap_between_two_looks(self, awake: float, elapsed: float, found: str | None) -> None:
        """Sleep is what the clocks differ by; a gap without it is a process held up."""
        assert Vigil(100.0, 7000.0).look(100.0 + awake, 7000.0 + elapsed) == found

    def test_each_gap_counts_from_the_look_before(self) -> None:
        """Many short gaps are no long one, and what was found is not found again."""
        vigil = Vigil(0.0, 0.0)

        assert [vigil.look(1.5 * n, 1.5 * n) for n in range(1, 100)] == [None] * 99
        assert vigil.look(500.0, 500.0) is not None
        assert vigil.look(500.1, 500.1) is None

    def test_the_clocks_of_this_machine_run_alike(self) -> None:
        """While the machine is awake the two clocks differ by a constant."""
        before = elapsed_s() - awake_s()
        after = elapsed_s() - awake_s()

        assert abs(after - before) < 0.1


class TestLookout:
    def test_only_what_happens_under_power_counts(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A machine that sleeps before power is on has left nothing alone; later, it has."""
        now = [0.0]
        for clock in ("awake_s", "elapsed_s"):
            monkeypatch.setattr(f"harness.power.attention.{clock}", lambda: now[0])
        lookout = Lookout()
        now[0] = 100.0
        assert lookout.look(live=False) is None
        now[0] = 100.1
        assert lookout.look(live=True) is None

        now[0] = 120.1
        found = lookout.look(live=True)
        assert found == "for 20 s: the program got no time to run"
        now[0] = 120.2
        assert lookout.look(live=False) == found


class TestSilence:
    def test_it_counts_from_the_last_sign_of_life(self) -> None:
        """With looks in between, silence is the time since something was heard."""
        silence = Silence(0.0)
        silence.heard(1.0)

        assert [silence.look(1.0 + n / 10) for n in range(8)][-1] == pytest.approx(0.7)

    def test_time_in_which_nobody_listened_does_not_count(self) -> None:
        """Held up for a minute, a process hears what came in meanwhile before it judges."""
        silence = Silence(0.0)
        silence.look(0.05)

        assert silence.look(60.0) == pytest.approx(0.05)
        assert silence.look(60.2) == pytest.approx(0.25)

    def test_what_was_heard_on_the_way_is_no_silence_to_come(self) -> None:
        """A sign of life that came in as the process went on counts from then, and no later."""
        silence = Silence(0.0)
        silence.heard(59.99)

        assert silence.look(60.0) == 0.0
        assert silence.look(60.1) == pytest.approx(0.1)
